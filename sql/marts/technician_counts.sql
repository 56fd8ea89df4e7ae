-- What each technician set, left in range, and how the run-in recheck was kept.
-- grain: one row per technician
-- key:   technician_id
-- columns:
--   technician_id   varchar
--   shop            varchar  of most settings, else visits
--   settings        bigint
--   with_range      bigint   of them with a published range
--   in_range        bigint   of these left in range
--   installs        bigint   own installs that ran on past the run-in recheck's miles
--   rechecked       bigint   of them rechecked after run-in, by anyone
--   rechecked_early bigint   of them rechecked before the engine had run long enough
with

made as (select * from marts.settings_made),
visits as (select * from history.visits),
belt_visits as (select * from history.belt_visits),
belts as (select * from results.belts),
settings as (select * from typed.settings),

shops as (
    select
        visits.technician_id,
        visits.shop,
        row_number() over (
            partition by visits.technician_id
            order by count(made.service_id) desc, count(*) desc, visits.shop
        ) as place
    from visits
    left join made using (service_id)
    group by visits.technician_id, visits.shop
),

counted as (
    select
        visits.technician_id,
        count(made.service_id) as settings,
        count(made.is_in_range) as with_range,
        count(*) filter (where made.is_in_range) as in_range
    from visits
    left join made using (service_id)
    group by visits.technician_id
),

rechecks as (
    select
        belt_visits.belt_id,
        bool_or(belt_visits.is_run_in_recheck) as is_rechecked,
        bool_or(visits.is_too_early) as is_rechecked_early
    from belt_visits
    inner join visits using (service_id)
    group by belt_visits.belt_id
),

installs as (
    select
        visits.technician_id,
        count(*) as installs,
        count(*) filter (where rechecks.is_rechecked) as rechecked,
        count(*) filter (where rechecks.is_rechecked_early) as rechecked_early
    from belts
    inner join visits on belts.install_service_id = visits.service_id
    inner join rechecks on belts.belt_id = rechecks.belt_id
    inner join settings on true
    where belts.last_odometer_mi >= settings.run_in_recheck_mi
    group by visits.technician_id
),

final as (
    select
        counted.technician_id,
        shops.shop,
        counted.settings,
        counted.with_range,
        counted.in_range,
        coalesce(installs.installs, 0) as installs,
        coalesce(installs.rechecked, 0) as rechecked,
        coalesce(installs.rechecked_early, 0) as rechecked_early
    from counted
    inner join shops on counted.technician_id = shops.technician_id
    left join installs on counted.technician_id = installs.technician_id
    where shops.place = 1
)

select * from final
