-- Where each gauge is used: readings by span, and how many had no firm correction.
-- grain: one row per gauge and span, to 5 mm
-- key:   gauge_id, span_mm
-- columns:
--   gauge_id   varchar
--   span_mm    double   null: not recorded
--   n          bigint   readings taken
--   n_since    bigint   of them after the gauge's newest calibration
--   n_beyond   bigint   of them outside its calibrated spans
--   n_wanting  bigint   of them on a span that can be and has no calibration
with

visits as (select * from history.visits),
calibrations as (select * from staging.calibrations),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

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
        gauge_id,
        floor(span_mm / 5e0 + 0.5e0) * 5e0 as span_mm,
        date,
        correction_source,
        coalesce(reading_unit = 'Hz', false) as is_frequency,
        case when reading_found is null or reading_left is null then 1 else 2 end as n
    from visits
    where
        gauge_id is not null and coalesce(reading_found, reading_left) is not null
),

final as (
    select
        taken.gauge_id,
        taken.span_mm,
        cast(sum(taken.n) as bigint) as n,
        cast(
            coalesce(sum(taken.n) filter (where taken.date > newest.last_date), 0)
            as bigint
        ) as n_since,
        cast(
            coalesce(
                sum(taken.n) filter (where taken.correction_source = 'beyond_spans'), 0
            ) as bigint
        ) as n_beyond,
        cast(
            coalesce(
                sum(taken.n) filter (
                    where
                    taken.correction_source not in ('calibrated', 'between_spans')
                    and taken.span_mm
                    between settings.min_span_mm and settings.max_span_mm
                    and not taken.is_frequency
                ), 0
            ) as bigint
        ) as n_wanting
    from taken
    cross join settings
    left join newest on taken.gauge_id = newest.gauge_id
    group by taken.gauge_id, taken.span_mm
)

select * from final
