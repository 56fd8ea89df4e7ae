-- A reading that the contract does not use for this action.
-- severity: note
-- example: reading_found on an install
-- mend: Correct the action, or move the reading to the other column.
select
    'services' as table_name,
    visits.file_id,
    visits.line,
    visits.service_id as key,
    'reading_' || readings.phase as column_name,
    'reading_not_used' as code,
    'A reading ' || readings.phase || ' on ' || visits.action
    || ' says nothing of the belt that stays on.' as detail
from history.readings as readings
inner join history.visits as visits using (service_id)
where not readings.is_used and not readings.is_out_of_line
