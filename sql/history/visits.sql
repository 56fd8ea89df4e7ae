-- Every visit up to as-of, in the contract's order, with the belt it was about.
-- grain: one row per service record up to as-of
-- key:   service_id
-- partition: vehicle_id
-- columns:
--   service_id         varchar
--   vehicle_id         varchar
--   drive_id           varchar  the belt's drive
--   fitting_no         bigint   installs on this drive so far; 0: before the first
--   belt_id            varchar  vehicle, drive and fitting_no
--   visit_no           bigint   place in the order of this vehicle and drive
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
--   is_setting         boolean  the tension was set and the reading kept
--   is_blind_setting   boolean  the tension was changed and no reading kept
--   file_id            integer
--   line               bigint
with

services as (select * from staging.services),
vehicles as (select * from staging.vehicles),
gauges as (select * from staging.gauges),
as_of as (select * from history.as_of),
settings as (select * from typed.settings),

placed as (
    select
        services.service_id,
        services.vehicle_id,
        coalesce(services.drive_id, vehicles.drive_id) as drive_id,
        services.date,
        services.odometer_mi,
        services.action,
        case services.action
            when 'inspect' then 1
            when 'retension' then 2
            when 'remove' then 3
            when 'install' then 4
            when 'refit' then 5
            else 6
        end as action_rank,
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
        services.action = 'recheck'
        and coalesce(services.run_minutes < settings.run_in_minutes, false)
            as is_too_early,
        services.file_id,
        services.line
    from services
    inner join vehicles using (vehicle_id)
    inner join as_of on services.date <= as_of.as_of
    inner join settings on true
    left join gauges using (gauge_id)
),

ordered as (
    select
        *,
        row_number() over in_order as visit_no,
        count(*) filter (where action = 'install') over in_order as fitting_no
    from placed
    window in_order as (
        partition by vehicle_id, drive_id
        order by date, odometer_mi, action_rank, service_id
        rows between unbounded preceding and current row
    )
),

final as (
    select
        service_id,
        vehicle_id,
        drive_id,
        fitting_no,
        vehicle_id || '/' || drive_id || '/' || cast(fitting_no as varchar)
            as belt_id,
        visit_no,
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
        is_too_early,
        reading_left is not null
        and action in ('install', 'recheck', 'retension', 'refit') as is_setting,
        reading_left is null
        and action in ('install', 'retension', 'refit') as is_blind_setting,
        file_id,
        line
    from ordered
)

select * from final
