-- A belt came off and no reason was given: its life counts as unfinished.
-- severity: note
-- example: install on a vehicle that had a belt, removal_reason empty
-- mend: Fill removal_reason, or map the fleet's own words for it.
-- setting: [file.words.removal_reason]
select
    'services' as table_name,
    visits.file_id,
    visits.line,
    visits.service_id as key,
    'removal_reason' as column_name,
    'no_removal_reason' as code,
    'A belt came off here and no reason is recorded; taken as unknown.' as detail
from history.fittings as fittings
inner join history.visits as visits on fittings.ended_key = visits.visit_key
where fittings.is_reason_missing
