-- Every visit up to as-of: its vehicle and drive, and its readings in newtons.
-- kind:  view
-- grain: one row per service record up to as-of
-- key:   service_id
-- columns:
--   file_id            integer
--   line               bigint
--   service_id         varchar
--   vehicle_no         bigint   stands for vehicle_id
--   drive_no           bigint   stands for drive_id, the belt's drive
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
--   is_too_early       boolean  a recheck before the engine had run long enough
--   found_shown_n      double   the found reading in newtons, uncorrected
--   left_shown_n       double   the left reading in newtons, uncorrected
--   found_height       double   log of the found reading to the middle of its range
--   left_height        double   the same of the left reading
with

services as (select * from staging.services),
vehicles as (select * from staging.vehicles),
drives as (select * from history.drive_numbers),
gauges as (select * from staging.gauges),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

placed as (
    select
        services.file_id,
        services.line,
        services.service_id,
        vehicles.vehicle_no,
        drives.drive_no,
        (vehicles.vehicle_no * drives.n_drives + drives.drive_no) * 16777216
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
        drives.belt_mass_kg_per_m,
        coalesce((drives.new_min_n + drives.new_max_n) / 2e0, 1e0) as new_middle_n,
        coalesce((drives.used_min_n + drives.used_max_n) / 2e0, 1e0) as used_middle_n,
        services.action = 'recheck'
        and coalesce(services.run_minutes < settings.run_in_minutes, false)
            as is_too_early
    from services
    inner join vehicles using (vehicle_id)
    inner join drives
        on coalesce(services.drive_id, vehicles.drive_id) = drives.drive_id
    inner join as_of on services.date <= as_of.as_of
    inner join settings on true
    left join gauges using (gauge_id)
),

shown as (
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
        end as left_shown_n
    from placed
),

final as (
    select
        * exclude (belt_mass_kg_per_m, new_middle_n, used_middle_n),
        ln(
            found_shown_n
            / case when is_too_early then new_middle_n else used_middle_n end
        ) as found_height,
        ln(
            left_shown_n
            / case
                when is_too_early or action = 'install' then new_middle_n
                else used_middle_n
            end
        ) as left_height
    from shown
)

select * from final
