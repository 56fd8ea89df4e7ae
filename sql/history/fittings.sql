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
--   ended_key           bigint   visit of its coming off; null: still on
--   ended_mi            double   odometer then, mi
--   removal_reason      varchar  null: still on
--   is_failure          boolean
--   is_reason_missing   boolean  it came off and no reason was given
--   last_seen_mi        double   odometer when it was last seen before that, mi
--   entered_mi          double   odometer when first seen intact inside the records, mi
--   is_late             boolean  fitted before the records were complete
--   first_known_mi      double   odometer from which it is known to be on, mi
--   last_known_mi       double   odometer until which it is known to be on, mi
--   observed_from_mi    double   odometer from which complaints of it are recorded, mi
--   is_running          boolean  still on a vehicle that is not retired
--   last_state_key      bigint   its last visit in history.belt_states
--   last_read_key       bigint   its last visit with a tension
--   last_set_key        bigint   its last visit with a tension as left
--   install_read_key    bigint   the visit that says how it was left at its install
--   is_run_in_checked   boolean  the recheck after run-in was done
with

-- read anew at each place: put aside it is wider than what each reads
visits as not materialized (select * from history.visits),
vehicles as (select * from staging.vehicles),
drive_numbers as (select * from history.drive_numbers),
miles as (select * from history.vehicle_miles),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

installs as (
    select
        belt_key,
        visit_key,
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
        visit_key,
        odometer_mi,
        removal_reason
    from visits
    where action = 'remove' and is_last
),

ends as (
    select
        belts.*,
        coalesce(removes.visit_key, next_install.visit_key) as ended_key,
        coalesce(removes.odometer_mi, next_install.odometer_mi) as ended_mi,
        coalesce(removes.removal_reason, next_install.removal_reason)
            as removal_reason
    from belts
    left join removes on belts.belt_key = removes.belt_key
    left join installs as next_install on belts.belt_key + 1 = next_install.belt_key
),

seen as (
    select
        visits.belt_key,
        visits.visit_key,
        visits.odometer_mi,
        visits.is_inside,
        visits.is_run_in_recheck,
        visits.action = 'install' as is_install,
        visits.action in ('inspect', 'retension', 'recheck', 'refit') as is_on_since,
        coalesce(visits.found_n, visits.left_n) is not null as is_read,
        visits.left_n is not null as is_set,
        visits.is_setting or visits.is_blind_setting as is_changed,
        coalesce(visits.odometer_mi < ends.ended_mi, true) as is_before_end
    from visits
    inner join ends using (belt_key)
),

-- the recheck after run-in comes after the install, and says more
sightings as (
    select
        belt_key,
        min(odometer_mi) filter (where is_before_end) as first_seen_mi,
        max(odometer_mi) filter (where is_before_end) as last_seen_mi,
        min(odometer_mi) filter (where is_before_end and is_inside and is_on_since)
            as first_seen_inside_mi,
        max(visit_key) filter (where is_inside and (is_read or is_changed))
            as last_state_key,
        max(visit_key) filter (where is_read) as last_read_key,
        max(visit_key) filter (where is_set) as last_set_key,
        max(visit_key) filter (
            where (is_run_in_recheck and is_read) or (is_install and is_set)
        ) as install_read_key,
        bool_or(is_run_in_recheck) as is_run_in_checked
    from seen
    group by belt_key
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
        miles.first_inside_mi,
        ends.ended_key is null and not miles.is_retired as is_running,
        sightings.last_state_key,
        sightings.last_read_key,
        sightings.last_set_key,
        sightings.install_read_key,
        coalesce(sightings.is_run_in_checked, false) as is_run_in_checked
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
        ended_key,
        ended_mi,
        case
            when ended_key is not null then coalesce(removal_reason, 'unknown')
        end as removal_reason,
        coalesce(removal_reason in ('broken', 'worn', 'cracked', 'noise'), false)
            as is_failure,
        ended_key is not null and removal_reason is null as is_reason_missing,
        last_seen_mi,
        case when is_late then first_seen_inside_mi else fitted_mi end as entered_mi,
        is_late,
        first_known_mi,
        last_known_mi,
        case
            when first_inside_mi is null then null
            when is_late then first_seen_inside_mi
            when fitted_mi is not null then fitted_mi
            else greatest(first_known_mi, first_inside_mi)
        end as observed_from_mi,
        is_running,
        last_state_key,
        last_read_key,
        last_set_key,
        install_read_key,
        is_run_in_checked
    from joined
)

select * from final
