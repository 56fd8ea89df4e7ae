-- What each visit was in the life of its belt.
-- grain: one row per service record up to as-of
-- key:   service_id
-- partition: vehicle_id
-- columns:
--   service_id          varchar
--   belt_id             varchar
--   vehicle_id          varchar
--   visit_no            bigint
--   miles               double   since the fitting, mi; null: unknown age
--   is_run_in_recheck   boolean  the first recheck after the install that counts
--   is_inside           boolean  on or after the day the records are complete from
with

visits as (select * from history.visits),
fittings as (select * from history.fittings),
settings as (select * from typed.settings),

counted as (
    select
        visits.service_id,
        visits.belt_id,
        visits.vehicle_id,
        visits.visit_no,
        visits.date,
        visits.odometer_mi - fittings.fitted_mi as miles,
        fittings.install_service_id is not null
        and visits.action = 'recheck'
        and not visits.is_too_early as is_recheck_of_an_install,
        count(*) filter (
            where visits.action in ('retension', 'remove', 'refit')
            or (visits.action = 'recheck' and not visits.is_too_early)
        ) over (
            partition by visits.belt_id
            order by visits.visit_no
            rows between unbounded preceding and current row
        ) as works_so_far
    from visits
    inner join fittings using (belt_id)
),

final as (
    select
        counted.service_id,
        counted.belt_id,
        counted.vehicle_id,
        counted.visit_no,
        counted.miles,
        coalesce(
            counted.is_recheck_of_an_install
            and counted.works_so_far = 1
            and counted.miles <= settings.run_in_recheck_mi,
            false
        ) as is_run_in_recheck,
        coalesce(counted.date >= settings.records_from, true) as is_inside
    from counted
    inner join settings on true
)

select * from final
