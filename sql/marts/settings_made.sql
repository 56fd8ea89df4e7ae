-- Every setting of a belt whose tension is known, with who made it and how it stands.
-- kind:  view
-- grain: one row per left reading after an adjustment
-- key:   service_id
-- columns:
--   visit_key       bigint   stands for service_id
--   service_id      varchar
--   belt_key        bigint   stands for belt_id
--   action          varchar
--   technician_id   varchar
--   shop            varchar
--   gauge_id        varchar
--   span_mm         double   mm
--   model           varchar
--   level           double   log of the tension to the middle of its range, or null
--   log_ratio       double   of the gauge at the span
--   u_corr          double   standard uncertainty of it
--   is_comparable   boolean  gauge known at the span, and set to the right range
--   is_in_range     boolean  null: no range
--   found_place     double   0 at the minimum, 1 at the maximum, or null
--   left_place      double
--   labour_minutes  double
with

visits as (select * from history.visits),
vehicles as (select * from staging.vehicles),

made as (
    select
        *,
        case when is_too_early or action = 'install' then 'new' else 'used' end
            as belt_state
    from visits
    where left_n is not null
),

final as (
    select
        made.visit_key,
        made.service_id,
        made.belt_key,
        made.action,
        made.technician_id,
        made.shop,
        made.gauge_id,
        made.span_mm,
        vehicles.model,
        ln(made.left_n * 2e0 / (made.left_min_n + made.left_max_n)) as level,
        -ln(made.correction) as log_ratio,
        made.u_corr,
        made.correction_source in ('calibrated', 'between_spans')
        and coalesce(made.reading_unit <> 'Hz', false)
        and coalesce(made.spec_applied = made.belt_state, true)
        and made.left_min_n is not null as is_comparable,
        made.left_n between made.left_min_n and made.left_max_n as is_in_range,
        (made.found_n - made.found_min_n)
        / nullif(made.found_max_n - made.found_min_n, 0e0) as found_place,
        (made.left_n - made.left_min_n)
        / nullif(made.left_max_n - made.left_min_n, 0e0) as left_place,
        made.labour_minutes
    from made
    inner join vehicles using (vehicle_no)
)

select * from final
