-- The date is before the vehicle's first day on the road.
-- severity: note
-- example: a service in 2019 of a vehicle in service since 2021
-- mend: Correct the date, or in_service_date in vehicles.
with

sightings as (select * from typed.sightings),

vehicles as (select * from typed.vehicles),

final as (
    select
        sightings.table_name,
        sightings.file_id,
        sightings.line,
        sightings.key,
        'date' as column_name,
        'before_vehicle' as code,
        format(
            '{} is before {}', sightings.date, vehicles.in_service_date
        ) as detail
    from sightings
    inner join vehicles using (vehicle_id)
    where sightings.date < vehicles.in_service_date
)

select * from final
