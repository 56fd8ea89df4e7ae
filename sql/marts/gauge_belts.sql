-- Running belts by the gauge they were last set with, and how many are now doubtful.
-- grain: one row per gauge
-- key:   gauge_id
-- columns:
--   gauge_id    varchar
--   n           bigint   running belts last set with it
--   n_doubtful  bigint   of them set outside its spans, or while it was found off
with

visits as (select * from history.visits),
fittings as (select * from history.fittings),
off as (select * from fitted.gauges_off),

settings as (
    select
        visits.service_id,
        visits.gauge_id,
        visits.date,
        visits.correction_source
    from visits
    inner join fittings on visits.visit_key = fittings.last_set_key
    where fittings.is_running and visits.gauge_id is not null
),

recalled as (
    select distinct settings.service_id
    from settings
    inner join off
        on
            settings.gauge_id = off.gauge_id
            and settings.date > off.last_good_date
            and settings.date <= off.found_off_date
),

final as (
    select
        settings.gauge_id,
        count(*) as n,
        count(*) filter (
            where settings.correction_source = 'beyond_spans'
            or recalled.service_id is not null
        ) as n_doubtful
    from settings
    left join recalled on settings.service_id = recalled.service_id
    group by settings.gauge_id
)

select * from final
