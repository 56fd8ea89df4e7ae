-- The engine had not run long enough since the fitting: held to the new range.
-- severity: note
-- example: action recheck with run_minutes 2
-- mend: Run the engine five minutes before the recheck; correct run_minutes.
-- setting: belts.run_in_minutes
select
    'services' as table_name,
    file_id,
    line,
    service_id as key,
    'run_minutes' as column_name,
    'recheck_too_early' as code,
    'The engine had run under the run-in time; the reading is held to the new-belt'
    || ' range and does not count as the check after run-in.' as detail
from history.visits
where is_too_early
