-- The technician set to the range of the other state of the belt.
-- severity: note
-- example: action install with spec_applied used
-- mend: Correct spec_applied, or set the belt to the range that applies.
select
    'services' as table_name,
    visits.file_id,
    visits.line,
    visits.service_id as key,
    'spec_applied' as column_name,
    'wrong_range' as code,
    'Set to the ' || visits.spec_applied || '-belt range; the '
    || readings.belt_state || '-belt range applies.' as detail
from history.visits as visits
inner join history.readings as readings
    on visits.service_id = readings.service_id and readings.phase = 'left'
where readings.is_used and visits.spec_applied <> readings.belt_state
