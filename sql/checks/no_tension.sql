-- A reading from which no tension can be told.
-- severity: note
-- example: reading_unit empty and the gauge's unit not known
-- mend: Fill reading_unit; for readings in Hz also the span and the belt's mass.
-- setting: [file.constants] reading_unit
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'reading_' || min(phase) as column_name,
    'no_tension' as code,
    'No tension: ' || min(why_no_tension) || '.' as detail
from history.readings
where why_no_tension is not null
group by file_id, line, service_id
