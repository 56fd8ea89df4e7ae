-- A reading with no published range for its drive and state: never a guess.
-- severity: note
-- example: a drive that specs does not name
-- mend: Copy the range from the maker's manual into specs.
select
    'services' as table_name,
    visits.file_id,
    visits.line,
    visits.service_id as key,
    'drive_id' as column_name,
    'no_spec' as code,
    'No ' || min(readings.belt_state) || '-belt range is published for drive '
    || visits.drive_id || '.' as detail
from history.readings as readings
inner join history.visits as visits using (service_id)
where readings.spec_min_n is null and readings.tension_n is not null
group by visits.file_id, visits.line, visits.service_id, visits.drive_id
