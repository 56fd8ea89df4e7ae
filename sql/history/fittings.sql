-- Every belt that was on a vehicle: when it came on, when it was seen, how it came off.
-- grain: one row per belt
-- key:   belt_id
-- columns:
--   belt_key            bigint   stands for belt_id; in the order of the fittings
--   belt_id             varchar  vehicle, drive and fitting_no
--   vehicle_no          bigint   stands for vehicle_id
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
drive_numbers as (select * from history.drive_numbers),
miles as (select * from history.vehicle_miles),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

installs as (
    select
        belt_key,
        vehicle_no,
        drive_id,
        fitting_no,
        service_id,
        date,
        odometer_mi,
        removal_reason
    from visits
    where action = 'install'
),

first_visits as (
    select
        visit_key - visit_no as place_key,
        vehicle_no,
        drive_id,
        fitting_no
    from visits
    where visit_no = 1
),

own_places as (
    select
        (vehicles.vehicle_no * drive_numbers.n_drives + drive_numbers.drive_no)
        * 16777216 as place_key,
        vehicles.vehicle_no,
        vehicles.drive_id
    from vehicles
    inner join drive_numbers using (drive_id)
),

belts_before_an_install as (
    select
        belt_key - fitting_no as belt_key,
        vehicle_no,
        drive_id
    from installs
    where fitting_no = 1 and removal_reason is not null
    union
    select
        place_key as belt_key,
        vehicle_no,
        drive_id
    from first_visits
    where fitting_no = 0
    union
    select
        own_places.place_key as belt_key,
        own_places.vehicle_no,
        own_places.drive_id
    from own_places
    left join first_visits using (place_key)
    where first_visits.place_key is null
),

first_belts as (
    select
        first.belt_key,
        first.vehicle_no,
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
    inner join vehicles using (vehicle_no)
    inner join miles using (vehicle_no)
    inner join as_of on true
),

belts as (
    select
        belt_key,
        vehicle_no,
        drive_id,
        fitting_no,
        service_id as install_service_id,
        date as fitted_date,
        odometer_mi as fitted_mi
    from installs
    union all
    select
        belt_key,
        vehicle_no,
        drive_id,
        0 as fitting_no,
        null as install_service_id,
        case when is_factory_fitted then in_service_date end as fitted_date,
        case when is_factory_fitted then 0e0 end as fitted_mi
    from first_belts
),

removes as (
    select
        belt_key,
        service_id,
        date,
        odometer_mi,
        removal_reason
    from visits
    where action = 'remove' and is_last
),

ends as (
    select
        belts.*,
        coalesce(removes.service_id, next_install.service_id) as ended_service_id,
        coalesce(removes.date, next_install.date) as ended_date,
        coalesce(removes.odometer_mi, next_install.odometer_mi) as ended_mi,
        coalesce(removes.removal_reason, next_install.removal_reason)
            as removal_reason
    from belts
    left join removes on belts.belt_key = removes.belt_key
    left join installs as next_install on belts.belt_key + 1 = next_install.belt_key
),

sightings as (
    select
        visits.belt_key,
        min(visits.odometer_mi) as first_seen_mi,
        max(visits.odometer_mi) as last_seen_mi,
        min(visits.odometer_mi) filter (
            where visits.date >= settings.records_from
            and visits.action in ('inspect', 'retension', 'recheck', 'refit')
        ) as first_seen_inside_mi
    from visits
    inner join settings on true
    inner join ends using (belt_key)
    where ends.ended_mi is null or visits.odometer_mi < ends.ended_mi
    group by visits.belt_key
),

joined as (
    select
        ends.*,
        miles.vehicle_id,
        coalesce(sightings.last_seen_mi, ends.fitted_mi) as last_seen_mi,
        coalesce(ends.fitted_date < settings.records_from, false) as is_late,
        sightings.first_seen_inside_mi,
        coalesce(ends.fitted_mi, miles.first_odometer_mi, sightings.first_seen_mi)
            as first_known_mi,
        coalesce(ends.ended_mi, miles.last_odometer_mi) as last_known_mi,
        ends.ended_service_id is null and not miles.is_retired as is_running
    from ends
    inner join miles using (vehicle_no)
    inner join settings on true
    left join sightings using (belt_key)
),

final as (
    select
        belt_key,
        vehicle_id || '/' || drive_id || '/' || cast(fitting_no as varchar)
            as belt_id,
        vehicle_no,
        vehicle_id,
        drive_id,
        fitting_no,
        install_service_id,
        fitted_date,
        fitted_mi,
        ended_service_id,
        ended_date,
        ended_mi,
        case
            when ended_service_id is not null then coalesce(removal_reason, 'unknown')
        end as removal_reason,
        coalesce(removal_reason in ('broken', 'worn', 'cracked', 'noise'), false)
            as is_failure,
        ended_service_id is not null and removal_reason is null as is_reason_missing,
        last_seen_mi,
        case when is_late then first_seen_inside_mi else fitted_mi end as entered_mi,
        is_late,
        first_known_mi,
        last_known_mi,
        is_running
    from joined
)

select * from final
