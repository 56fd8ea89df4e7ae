-- The vehicle is in no row of vehicles.
-- severity: quarantine
-- example: a service of vehicle V-9999 in a fleet that has no such number
-- mend: Add the vehicle to vehicles, or correct its number.
select
    table_name,
    file_id,
    line,
    key,
    'vehicle_id' as column_name,
    'unknown_vehicle' as code,
    'no row of vehicles has ' || vehicle_id as detail
from typed.outside_days
where is_unknown
