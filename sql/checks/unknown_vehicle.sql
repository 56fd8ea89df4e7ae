-- The vehicle is in no row of vehicles.
-- severity: quarantine
-- example: a service of vehicle V-9999 in a fleet that has no such number
-- mend: Add the vehicle to vehicles, or correct its number.
with

sightings as (select * from typed.sightings),

vehicles as (select * from typed.vehicles),

final as (
    select
        sightings.table_name,
        sightings.file_id,
        sightings.line,
        sightings.key,
        'vehicle_id' as column_name,
        'unknown_vehicle' as code,
        'no row of vehicles has ' || sightings.vehicle_id as detail
    from sightings
    anti join vehicles using (vehicle_id)
)

select * from final
