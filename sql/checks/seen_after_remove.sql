-- A belt was seen after it was taken off without a refit: taken as put back.
-- severity: note
-- example: remove, then inspect, with no refit or install between
-- mend: Record the refit or the install that is missing.
select
    'services' as table_name,
    visits.file_id,
    visits.line,
    visits.service_id as key,
    'action' as column_name,
    'seen_after_remove' as code,
    'The belt had been taken off and no refit is recorded; taken as put back.'
        as detail
from (
    select
        *,
        lag(action) over (partition by belt_id order by visit_no) as action_before
    from history.visits
) as visits
where
    visits.action_before = 'remove'
    and visits.action in ('inspect', 'retension', 'recheck')
