-- The vehicles of the fleet.
-- grain: one row per vehicle
-- key:   vehicle_id
-- columns:
--   vehicle_id      varchar
--   model           varchar
--   drive_id        varchar
--   depot           varchar
--   duty            varchar  urban, mixed, highway or null
--   in_service_date date
--   retired_date    date
--   file_id         integer  file it came from
--   line            bigint   its physical line
with

vehicles as (select * from typed.vehicles),

final as (
    select
        vehicle_id,
        model,
        drive_id,
        depot,
        duty,
        in_service_date,
        retired_date,
        file_id,
        line
    from vehicles
)

select * from final
