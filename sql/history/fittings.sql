-- Every belt that was on a vehicle: when it came on, when it was seen, how it came off.
-- grain: one row per belt
-- key:   belt_id
-- partition: vehicle_id
-- columns:
--   belt_id             varchar
--   vehicle_id          varchar
--   drive_id            varchar
--   fitting_no          bigint   0: on the vehicle before its first recorded install
--   install_service_id  varchar  null: the fitting is not in the records
--   fitted_date         date     null: unknown age
--   fitted_mi           double   odometer at the fitting, mi; null: unknown age
--   ended_service_id    varchar  record of its coming off; null: still on
--   ended_date          date
--   ended_mi            double   odometer then, mi
--   removal_reason      varchar  null: still on
--   is_failure          boolean
--   is_reason_missing   boolean  it came off and no reason was given
--   last_seen_mi        double   odometer when it was last seen before that, mi
--   entered_mi          double   odometer when first seen intact inside the records, mi
--   is_late             boolean  fitted before the records were complete
--   first_known_mi      double   odometer from which it is known to be on, mi
--   last_known_mi       double   odometer until which it is known to be on, mi
--   is_running          boolean  still on a vehicle that is not retired
with

visits as (select * from history.visits),
vehicles as (select * from staging.vehicles),
miles as (select * from history.vehicle_miles),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

installs as (
    select
        belt_id,
        vehicle_id,
        drive_id,
        fitting_no,
        service_id,
        date,
        odometer_mi,
        removal_reason
    from visits
    where action = 'install'
),

belts_before_an_install as (
    select
        vehicle_id,
        drive_id
    from installs
    where fitting_no = 1 and removal_reason is not null
    union
    select
        vehicle_id,
        drive_id
    from visits
    where fitting_no = 0
    union
    select
        vehicles.vehicle_id,
        vehicles.drive_id
    from vehicles
    inner join miles using (vehicle_id)
    left join visits using (vehicle_id, drive_id)
    where visits.service_id is null
),

first_belts as (
    select
        first.vehicle_id || '/' || first.drive_id || '/0' as belt_id,
        first.vehicle_id,
        first.drive_id,
        coalesce(
            vehicles.in_service_date >= as_of.first_record
            and miles.first_date >= vehicles.in_service_date
            and miles.first_odometer_mi <= 100e0 + 500e0
            * date_diff('day', vehicles.in_service_date, miles.first_date),
            false
        ) as is_factory_fitted,
        vehicles.in_service_date
    from belts_before_an_install as first
    inner join vehicles using (vehicle_id)
    inner join miles using (vehicle_id)
    inner join as_of on true
),

belts as (
    select
        belt_id,
        vehicle_id,
        drive_id,
        fitting_no,
        service_id as install_service_id,
        date as fitted_date,
        odometer_mi as fitted_mi
    from installs
    union all
    select
        belt_id,
        vehicle_id,
        drive_id,
        0 as fitting_no,
        null as install_service_id,
        case when is_factory_fitted then in_service_date end as fitted_date,
        case when is_factory_fitted then 0e0 end as fitted_mi
    from first_belts
),

latest as (
    select
        belt_id,
        service_id,
        action,
        date,
        odometer_mi,
        removal_reason,
        row_number() over (partition by belt_id order by visit_no desc) as from_last
    from visits
),

ends as (
    select
        belts.belt_id,
        case
            when latest.action = 'remove' then latest.service_id
            else next_install.service_id
        end as ended_service_id,
        case
            when latest.action = 'remove' then latest.date
            else next_install.date
        end as ended_date,
        case
            when latest.action = 'remove' then latest.odometer_mi
            else next_install.odometer_mi
        end as ended_mi,
        case
            when latest.action = 'remove'
                then coalesce(latest.removal_reason, next_install.removal_reason)
            else next_install.removal_reason
        end as removal_reason
    from belts
    left join latest
        on belts.belt_id = latest.belt_id and latest.from_last = 1
    left join installs as next_install
        on
            belts.vehicle_id = next_install.vehicle_id
            and belts.drive_id = next_install.drive_id
            and belts.fitting_no + 1 = next_install.fitting_no
),

sightings as (
    select
        visits.belt_id,
        min(visits.odometer_mi) as first_seen_mi,
        max(visits.odometer_mi) as last_seen_mi,
        min(visits.odometer_mi) filter (
            where visits.date >= settings.records_from
            and visits.action in ('inspect', 'retension', 'recheck', 'refit')
        ) as first_seen_inside_mi
    from visits
    inner join settings on true
    inner join ends using (belt_id)
    where ends.ended_mi is null or visits.odometer_mi < ends.ended_mi
    group by visits.belt_id
),

joined as (
    select
        belts.belt_id,
        belts.vehicle_id,
        belts.drive_id,
        belts.fitting_no,
        belts.install_service_id,
        belts.fitted_date,
        belts.fitted_mi,
        ends.ended_service_id,
        ends.ended_date,
        ends.ended_mi,
        case
            when ends.ended_service_id is not null
                then coalesce(ends.removal_reason, 'unknown')
        end as removal_reason,
        ends.ended_service_id is not null
        and ends.removal_reason is null as is_reason_missing,
        coalesce(sightings.last_seen_mi, belts.fitted_mi) as last_seen_mi,
        coalesce(belts.fitted_date < settings.records_from, false) as is_late,
        sightings.first_seen_inside_mi,
        coalesce(belts.fitted_mi, miles.first_odometer_mi, sightings.first_seen_mi)
            as first_known_mi,
        coalesce(ends.ended_mi, miles.last_odometer_mi) as last_known_mi,
        ends.ended_service_id is null and not miles.is_retired as is_running
    from belts
    inner join ends using (belt_id)
    inner join miles using (vehicle_id)
    inner join settings on true
    left join sightings using (belt_id)
),

final as (
    select
        belt_id,
        vehicle_id,
        drive_id,
        fitting_no,
        install_service_id,
        fitted_date,
        fitted_mi,
        ended_service_id,
        ended_date,
        ended_mi,
        removal_reason,
        coalesce(removal_reason in ('broken', 'worn', 'cracked', 'noise'), false)
            as is_failure,
        is_reason_missing,
        last_seen_mi,
        case when is_late then first_seen_inside_mi else fitted_mi end as entered_mi,
        is_late,
        first_known_mi,
        last_known_mi,
        is_running
    from joined
)

select * from final
