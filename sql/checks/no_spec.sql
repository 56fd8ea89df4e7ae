-- A reading with no published range for its drive and state: never a guess.
-- severity: note
-- example: a drive that specs does not name
-- mend: Copy the range from the maker's manual into specs.
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'drive_id' as column_name,
    'no_spec' as code,
    'No ' || min(belt_state) || '-belt range is published for drive '
    || drive_id || '.' as detail
from history.readings
where spec_min_n is null and tension_n is not null
group by file_id, line, service_id, drive_id
