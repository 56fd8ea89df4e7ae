-- A belt was seen after it was taken off without a refit: taken as put back.
-- severity: note
-- example: remove, then inspect, with no refit or install between
-- mend: Record the refit or the install that is missing.
with

visits as (select * from history.visits),

removed as (
    select belt_key
    from visits
    where action = 'remove'
),

ordered as (
    select
        visits.*,
        lag(visits.action) over (
            partition by visits.belt_key order by visits.visit_no
        ) as action_before
    from visits
    semi join removed using (belt_key)
),

final as (
    select
        'services' as table_name,
        file_id,
        line,
        service_id as key,
        'action' as column_name,
        'seen_after_remove' as code,
        'The belt had been taken off and no refit is recorded; taken as put back.'
            as detail
    from ordered
    where
        action_before = 'remove'
        and action in ('inspect', 'retension', 'recheck')
)

select * from final
