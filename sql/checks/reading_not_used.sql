-- A reading that the contract does not use for this action.
-- severity: note
-- example: reading_found on an install
-- mend: Correct the action, or move the reading to the other column.
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'reading_' || phase as column_name,
    'reading_not_used' as code,
    'A reading ' || phase || ' on ' || action
    || ' says nothing of the belt that stays on.' as detail
from history.readings
where not is_used and not is_out_of_line
