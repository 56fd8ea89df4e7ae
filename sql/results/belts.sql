-- Every belt: how it was left at install, how long it lived, how it came off.
-- grain: one belt on one vehicle
-- key:   belt_id
-- columns:
--   belt_id             varchar  vehicle, drive and number of the fitting
--   vehicle_id          varchar  the vehicle
--   drive_id            varchar  the drive
--   model               varchar  the vehicle's model
--   install_service_id  varchar  record of its fitting
--   install_date        date     day of its fitting
--   install_odometer_mi double   odometer then, mi
--   install_tension_n   double   tension it was left with, N
--   install_basis       varchar  reading that says so
--   band                varchar  install tension against the range
--   entry_mi            double   miles since fitting at which its life is first seen
--   life_lo_mi          double   it lived at least, mi
--   life_hi_mi          double   it lived at most, mi; null = censored
--   last_odometer_mi    double   miles since fitting at the last odometer
--   end_kind            varchar  how its life ended
--   removal_reason      varchar  why it came off; null = still running
with

fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),
visits as (select * from history.visits),

miles as (
    select
        *,
        case
            when last_seen_mi < fitted_mi then 0e0
            else last_seen_mi - fitted_mi
        end as seen_mi,
        case
            when ended_mi < fitted_mi then 0e0
            else ended_mi - fitted_mi
        end as end_mi,
        case
            when last_known_mi < fitted_mi then 0e0
            else last_known_mi - fitted_mi
        end as known_mi
    from fittings
),

lives as (
    select
        belt_key,
        belt_id,
        vehicle_no,
        vehicle_id,
        drive_id,
        install_service_id,
        fitted_date,
        fitted_mi,
        entered_mi - fitted_mi as entry_mi,
        case
            when entered_mi is null then null
            when is_failure and removal_reason <> 'broken' then seen_mi
            when ended_mi is not null then end_mi
            else seen_mi
        end as life_lo_mi,
        case when entered_mi is not null and is_failure then end_mi end as life_hi_mi,
        known_mi as last_odometer_mi,
        case when is_failure then 'failed' else 'censored' end as end_kind,
        removal_reason
    from miles
),

lefts as (
    select
        fittings.belt_key,
        visits.action as basis,
        coalesce(visits.left_n, visits.found_n) as tension_n,
        case
            when visits.left_n is not null then visits.left_min_n
            else visits.found_min_n
        end as min_n,
        case
            when visits.left_n is not null then visits.left_max_n
            else visits.found_max_n
        end as max_n
    from visits
    inner join fittings on visits.visit_key = fittings.install_read_key
),

final as (
    select
        lives.belt_id,
        lives.vehicle_id,
        lives.drive_id,
        vehicles.model,
        lives.install_service_id,
        lives.fitted_date as install_date,
        lives.fitted_mi as install_odometer_mi,
        lefts.tension_n as install_tension_n,
        lefts.basis as install_basis,
        case
            when lefts.tension_n is null or lefts.min_n is null then 'unknown'
            when lefts.tension_n < 0.85e0 * lefts.min_n then 'loose'
            when lefts.tension_n < lefts.min_n then 'under'
            when lefts.tension_n <= lefts.max_n then 'in_spec'
            when lefts.tension_n <= 1.15e0 * lefts.max_n then 'over'
            else 'tight'
        end as band,
        lives.entry_mi,
        lives.life_lo_mi,
        lives.life_hi_mi,
        lives.last_odometer_mi,
        lives.end_kind,
        lives.removal_reason
    from lives
    inner join vehicles using (vehicle_no)
    left join lefts using (belt_key)
)

select * from final
