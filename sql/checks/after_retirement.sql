-- The date is after the vehicle's last day in the fleet.
-- severity: note
-- example: a complaint in 2024 about a vehicle retired in 2023
-- mend: Correct the date, or retired_date in vehicles.
select
    table_name,
    file_id,
    line,
    key,
    'date' as column_name,
    'after_retirement' as code,
    format('{} is after {}', date, retired_date) as detail
from typed.outside_days
where date > retired_date
