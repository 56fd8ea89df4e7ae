-- The different cases among tensions that have a range: equal ones are judged once.
-- kind:  view
-- grain: one row per phase, range, tension, uncertainty and allowance
-- key:   phase, spec_min_n, spec_max_n, tension_n, u_log, is_firm_allowed
-- columns:
--   phase            varchar
--   spec_min_n       double   N
--   spec_max_n       double   N
--   tension_n        double   N
--   u_log            double   standard uncertainty of its log
--   is_firm_allowed  boolean
--   n                bigint   readings
with

tensions as (select * from marts.tensions),

final as (
    select
        phase,
        spec_min_n,
        spec_max_n,
        tension_n,
        u_log,
        is_firm_allowed,
        count(*) as n
    from tensions
    where tension_n is not null and spec_min_n is not null and spec_max_n is not null
    group by phase, spec_min_n, spec_max_n, tension_n, u_log, is_firm_allowed
)

select * from final
