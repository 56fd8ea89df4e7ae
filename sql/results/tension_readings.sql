-- The true tension behind every reading in the records, and how it stands.
-- grain: one reading in the records
-- key:   service_id, phase
-- columns:
--   service_id         varchar
--   phase              varchar  found or left
--   tension_n          double   corrected tension, N; null where it cannot be told
--   tension_u_n        double   standard uncertainty, N
--   correction         double   factor on the reading
--   correction_source  varchar  where it came from
--   belt_state         varchar  state whose range applied
--   spec_min_n         double   lower limit, N
--   spec_max_n         double   upper limit, N
--   p_under            double   probability below the range
--   p_in               double   probability inside
--   p_over             double   probability above
--   verdict            varchar  in a word; null where there is no tension
with

tensions as (select * from marts.tensions),
conformity as (select * from fitted.conformity),

final as (
    select
        tensions.service_id,
        tensions.phase,
        tensions.tension_n,
        tensions.tension_n * tensions.u_log as tension_u_n,
        tensions.correction,
        tensions.correction_source,
        tensions.belt_state,
        tensions.spec_min_n,
        tensions.spec_max_n,
        conformity.p_under,
        conformity.p_in,
        conformity.p_over,
        case
            when tensions.tension_n is not null
                then coalesce(conformity.verdict, 'no_spec')
        end as verdict
    from tensions
    left join conformity
        on
            tensions.phase = conformity.phase
            and tensions.spec_min_n = conformity.spec_min_n
            and tensions.spec_max_n = conformity.spec_max_n
            and tensions.tension_n = conformity.tension_n
            and tensions.u_log = conformity.u_log
            and tensions.is_firm_allowed = conformity.is_firm_allowed
)

select * from final
