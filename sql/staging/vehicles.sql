-- The vehicles of the fleet.
-- grain: one row per vehicle
-- key:   vehicle_id
-- columns:
--   vehicle_id      varchar
--   vehicle_no      bigint   0, 1, … in the order of vehicle_id
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
        row_number() over (order by vehicle_id) - 1 as vehicle_no,
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
