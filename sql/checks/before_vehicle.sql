-- The date is before the vehicle's first day on the road.
-- severity: note
-- example: a service in 2019 of a vehicle in service since 2021
-- mend: Correct the date, or in_service_date in vehicles.
select
    table_name,
    file_id,
    line,
    key,
    'date' as column_name,
    'before_vehicle' as code,
    format('{} is before {}', date, in_service_date) as detail
from typed.outside_days
where date < in_service_date
