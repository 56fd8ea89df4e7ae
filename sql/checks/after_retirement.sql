-- The date is after the vehicle's last day in the fleet.
-- severity: note
-- example: a complaint in 2024 about a vehicle retired in 2023
-- mend: Correct the date, or retired_date in vehicles.
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
        'after_retirement' as code,
        format('{} is after {}', sightings.date, vehicles.retired_date) as detail
    from sightings
    inner join vehicles using (vehicle_id)
    where sightings.date > vehicles.retired_date
)

select * from final
