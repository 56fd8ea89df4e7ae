-- Where each gauge is used: readings by span, and how many had no firm correction.
-- grain: one row per gauge and span, to 5 mm
-- key:   gauge_id, span_mm
-- columns:
--   gauge_id   varchar
--   span_mm    double   null: not recorded
--   n          bigint   readings taken
--   n_since    bigint   of them after the gauge's newest calibration
--   n_beyond   bigint   of them outside its calibrated spans
--   n_wanting  bigint   of them on a span for which it has no calibration
with

readings as (select * from history.readings),
visits as (select * from history.visits),
calibrations as (select * from staging.calibrations),
as_of as (select * from history.as_of),

newest as (
    select
        calibrations.gauge_id,
        max(calibrations.date) as last_date
    from calibrations
    inner join as_of on calibrations.date <= as_of.as_of
    group by calibrations.gauge_id
),

taken as (
    select
        readings.gauge_id,
        floor(readings.span_mm / 5e0 + 0.5e0) * 5e0 as span_mm,
        visits.date,
        readings.correction_source,
        coalesce(readings.unit = 'Hz', false) as is_frequency
    from readings
    inner join visits using (service_id)
    where readings.gauge_id is not null
),

final as (
    select
        taken.gauge_id,
        taken.span_mm,
        count(*) as n,
        count(*) filter (where taken.date > newest.last_date) as n_since,
        count(*) filter (where taken.correction_source = 'beyond_spans') as n_beyond,
        count(*) filter (
            where taken.correction_source not in ('calibrated', 'between_spans')
            and taken.span_mm is not null
            and not taken.is_frequency
        ) as n_wanting
    from taken
    left join newest on taken.gauge_id = newest.gauge_id
    group by taken.gauge_id, taken.span_mm
)

select * from final
