-- Every visit up to as-of: its drive, its range, and what its readings show.
-- kind:  view
-- grain: one row per service record up to as-of
-- key:   service_id
-- columns:
--   file_id            integer
--   line               bigint
--   service_id         varchar
--   vehicle_id         varchar
--   vehicle_no         bigint
--   drive_id           varchar  the belt's drive
--   place_key          bigint   of vehicle and drive; its visits count on from it
--   date               date
--   odometer_mi        double   mi
--   action             varchar
--   shop               varchar
--   technician_id      varchar
--   gauge_id           varchar
--   span_mm            double   mm
--   reading_found      double   as shown, in its unit
--   reading_left       double   as shown, in its unit
--   reading_unit       varchar  as recorded, else the gauge's own
--   readings_averaged  bigint
--   spec_applied       varchar
--   removal_reason     varchar
--   belt_temperature   varchar
--   labour_minutes     double
--   has_belt_mass      boolean  the mass of its belt is known
--   is_too_early       boolean  a recheck before the engine had run long enough
--   found_shown_n      double   the found reading in newtons, uncorrected
--   left_shown_n       double   the left reading in newtons, uncorrected
--   found_min_n        double   range of a found reading, N; null: none published
--   found_max_n        double   N
--   left_min_n         double   range of a left reading, N; null: none published
--   left_max_n         double   N
--   found_height       double   log of the found reading to the middle of its range
--   left_height        double   the same of the left reading
with

services as (select * from staging.services),
vehicles as (select * from staging.vehicles),
drives as (select * from staging.drives),
gauges as (select * from staging.gauges),
drive_numbers as (select * from history.drive_numbers),
ranges as (select * from history.ranges),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

-- both ranges of each drive, what its belt weighs, and its number
places as (
    select
        drive_numbers.drive_id,
        drive_numbers.drive_no,
        drive_numbers.n_drives,
        drives.belt_mass_kg_per_m,
        new_range.spec_min_n as new_min_n,
        new_range.spec_max_n as new_max_n,
        used_range.spec_min_n as used_min_n,
        used_range.spec_max_n as used_max_n
    from drive_numbers
    left join drives using (drive_id)
    left join ranges as new_range
        on
            drive_numbers.drive_id = new_range.drive_id
            and new_range.belt_state = 'new'
    left join ranges as used_range
        on
            drive_numbers.drive_id = used_range.drive_id
            and used_range.belt_state = 'used'
),

placed as (
    select
        services.file_id,
        services.line,
        services.service_id,
        services.vehicle_id,
        vehicles.vehicle_no,
        places.drive_id,
        (vehicles.vehicle_no * places.n_drives + places.drive_no) * 16777216
            as place_key,
        services.date,
        services.odometer_mi,
        services.action,
        services.shop,
        services.technician_id,
        services.gauge_id,
        services.span_mm,
        services.reading_found,
        services.reading_left,
        coalesce(services.reading_unit, gauges.unit) as reading_unit,
        services.readings_averaged,
        services.spec_applied,
        services.removal_reason,
        services.belt_temperature,
        services.labour_minutes,
        places.belt_mass_kg_per_m,
        places.new_min_n,
        places.new_max_n,
        places.used_min_n,
        places.used_max_n,
        services.action = 'recheck'
        and coalesce(services.run_minutes < settings.run_in_minutes, false)
            as is_too_early
    from services
    inner join vehicles using (vehicle_id)
    inner join places
        on coalesce(services.drive_id, vehicles.drive_id) = places.drive_id
    inner join as_of on services.date <= as_of.as_of
    inner join settings on true
    left join gauges using (gauge_id)
),

measured as (
    select
        *,
        case reading_unit
            when 'N' then reading_found
            when 'lbf' then reading_found * 4.4482216152605e0
            when 'kgf' then reading_found * 9.80665e0
            when 'Hz'
                then
                    4e0 * belt_mass_kg_per_m * power(span_mm / 1e3 * reading_found, 2)
        end as found_shown_n,
        case reading_unit
            when 'N' then reading_left
            when 'lbf' then reading_left * 4.4482216152605e0
            when 'kgf' then reading_left * 9.80665e0
            when 'Hz'
                then 4e0 * belt_mass_kg_per_m * power(span_mm / 1e3 * reading_left, 2)
        end as left_shown_n,
        case when is_too_early then new_min_n else used_min_n end as found_min_n,
        case when is_too_early then new_max_n else used_max_n end as found_max_n,
        case when is_too_early or action = 'install' then new_min_n else used_min_n end
            as left_min_n,
        case when is_too_early or action = 'install' then new_max_n else used_max_n end
            as left_max_n
    from placed
),

final as (
    select
        file_id,
        line,
        service_id,
        vehicle_id,
        vehicle_no,
        drive_id,
        place_key,
        date,
        odometer_mi,
        action,
        shop,
        technician_id,
        gauge_id,
        span_mm,
        reading_found,
        reading_left,
        reading_unit,
        readings_averaged,
        spec_applied,
        removal_reason,
        belt_temperature,
        labour_minutes,
        belt_mass_kg_per_m is not null as has_belt_mass,
        is_too_early,
        found_shown_n,
        left_shown_n,
        found_min_n,
        found_max_n,
        left_min_n,
        left_max_n,
        ln(found_shown_n / coalesce((found_min_n + found_max_n) / 2e0, 1e0))
            as found_height,
        ln(left_shown_n / coalesce((left_min_n + left_max_n) / 2e0, 1e0))
            as left_height
    from measured
)

select * from final
