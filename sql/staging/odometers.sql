-- The odometer readings.
-- kind:  view
-- grain: one row per reading
-- key:   file_id, line
-- columns:
--   vehicle_id  varchar
--   date        date
--   odometer_mi double   odometer, mi
--   file_id     integer  file it came from
--   line        bigint   its physical line
with

odometers as (select * from typed.odometers),

final as (
    select
        vehicle_id,
        date,
        coalesce(odometer_mi, odometer_km / 1.609344e0) as odometer_mi,
        file_id,
        line
    from odometers
)

select * from final
