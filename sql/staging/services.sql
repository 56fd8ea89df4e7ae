-- The visits' work on belts, in canonical units.
-- kind:  view
-- grain: one row per service record
-- key:   service_id
-- columns:
--   service_id        varchar
--   date              date
--   vehicle_id        varchar
--   odometer_mi       double   odometer, mi
--   action            varchar
--   shop              varchar
--   technician_id     varchar
--   drive_id          varchar  null: the one of the vehicle
--   gauge_id          varchar
--   span_mm           double   span the gauge sat on, mm
--   reading_found     double   as shown, in its unit
--   reading_left      double   as shown, in its unit
--   reading_unit      varchar  lbf, N, kgf or Hz
--   readings_averaged bigint   readings in each mean
--   run_minutes       double   engine minutes since the fitting
--   spec_applied      varchar  range the technician set to
--   removal_reason    varchar
--   belt_temperature  varchar
--   labour_minutes    double
--   note              varchar
--   file_id           integer  file it came from
--   line              bigint   its physical line
with

services as (select * from typed.services),

final as (
    select
        service_id,
        date,
        vehicle_id,
        coalesce(odometer_mi, odometer_km / 1.609344e0) as odometer_mi,
        action,
        shop,
        technician_id,
        drive_id,
        gauge_id,
        coalesce(span_mm, span_in * 25.4e0) as span_mm,
        reading_found,
        reading_left,
        reading_unit,
        coalesce(readings_averaged, 1) as readings_averaged,
        run_minutes,
        spec_applied,
        removal_reason,
        belt_temperature,
        labour_minutes,
        note,
        file_id,
        line
    from services
)

select * from final
