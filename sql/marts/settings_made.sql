-- Every setting of a belt whose tension is known, with who made it and how it stands.
-- grain: one row per left reading after an adjustment
-- key:   service_id
-- partition: vehicle_id
-- columns:
--   service_id      varchar
--   belt_id         varchar
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

readings as (select * from history.readings),
visits as (select * from history.visits),
vehicles as (select * from staging.vehicles),

found as (
    select *
    from readings
    where phase = 'found' and is_used and tension_n is not null
),

final as (
    select
        made.service_id,
        made.belt_id,
        visits.action,
        made.technician_id,
        made.shop,
        made.gauge_id,
        made.span_mm,
        vehicles.model,
        ln(made.tension_n * 2e0 / (made.spec_min_n + made.spec_max_n)) as level,
        -ln(made.correction) as log_ratio,
        made.u_corr,
        made.correction_source in ('calibrated', 'between_spans')
        and coalesce(made.unit <> 'Hz', false)
        and coalesce(visits.spec_applied = made.belt_state, true)
        and made.spec_min_n is not null as is_comparable,
        made.tension_n between made.spec_min_n and made.spec_max_n as is_in_range,
        (found.tension_n - found.spec_min_n)
        / nullif(found.spec_max_n - found.spec_min_n, 0e0) as found_place,
        (made.tension_n - made.spec_min_n)
        / nullif(made.spec_max_n - made.spec_min_n, 0e0) as left_place,
        visits.labour_minutes
    from readings as made
    inner join visits using (service_id)
    inner join vehicles on visits.vehicle_id = vehicles.vehicle_id
    left join found on made.service_id = found.service_id
    where made.phase = 'left' and made.is_used and made.tension_n is not null
)

select * from final
