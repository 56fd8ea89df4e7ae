-- A reading far from its neighbours and its range, as a slip of the pen would be.
-- severity: note
-- example: 1,120 lbf where the range is 95 to 135 lbf and the belt read 118 before
-- mend: Correct the reading or its unit.
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'reading_' || phase as column_name,
    'reading_out_of_line' as code,
    'Far from the readings beside it and from its range: shown, given no firm'
    || ' verdict, and not used for the state of the belt.' as detail
from history.readings
where is_out_of_line
