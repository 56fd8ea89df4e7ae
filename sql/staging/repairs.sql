-- The accessories repaired.
-- kind:  view
-- grain: one row per repair
-- key:   repair_id
-- columns:
--   repair_id   varchar
--   date        date
--   vehicle_id  varchar
--   odometer_mi double   odometer, mi
--   accessory   varchar
--   fault       varchar
--   file_id     integer  file it came from
--   line        bigint   its physical line
with

repairs as (select * from typed.repairs),

final as (
    select
        repair_id,
        date,
        vehicle_id,
        coalesce(odometer_mi, odometer_km / 1.609344e0) as odometer_mi,
        accessory,
        fault,
        file_id,
        line
    from repairs
)

select * from final
