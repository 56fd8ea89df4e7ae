-- The technician set to the range of the other state of the belt.
-- severity: note
-- example: action install with spec_applied used
-- mend: Correct spec_applied, or set the belt to the range that applies.
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'spec_applied' as column_name,
    'wrong_range' as code,
    'Set to the ' || spec_applied || '-belt range; the '
    || belt_state || '-belt range applies.' as detail
from history.readings
where phase = 'left' and is_used and spec_applied <> belt_state
