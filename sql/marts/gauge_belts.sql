-- Running belts by the gauge they were last set with, and how many are now doubtful.
-- grain: one row per gauge
-- key:   gauge_id
-- columns:
--   gauge_id    varchar
--   n           bigint   running belts last set with it
--   n_doubtful  bigint   of them set outside its spans, or while it was found off
with

readings as (select * from history.readings),
visits as (select * from history.visits),
running as (select * from history.running_belts),
off as (select * from fitted.gauges_off),

ranked as (
    select
        readings.belt_id,
        readings.service_id,
        readings.gauge_id,
        readings.correction_source,
        visits.date,
        row_number() over (
            partition by readings.belt_id order by readings.visit_no desc
        ) as place
    from readings
    inner join running on readings.belt_id = running.belt_id
    inner join visits on readings.service_id = visits.service_id
    where
        readings.phase = 'left'
        and readings.is_used
        and readings.tension_n is not null
),

recalled as (
    select distinct ranked.service_id
    from ranked
    inner join off
        on
            ranked.gauge_id = off.gauge_id
            and ranked.date > off.last_good_date
            and ranked.date <= off.found_off_date
),

final as (
    select
        ranked.gauge_id,
        count(*) as n,
        count(*) filter (
            where ranked.correction_source = 'beyond_spans'
            or recalled.service_id is not null
        ) as n_doubtful
    from ranked
    left join recalled on ranked.service_id = recalled.service_id
    where ranked.place = 1 and ranked.gauge_id is not null
    group by ranked.gauge_id
)

select * from final
