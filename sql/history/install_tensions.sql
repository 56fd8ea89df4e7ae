-- The reading that says what tension each belt was left with at its install.
-- grain: one row per belt with such a reading
-- key:   belt_id
-- columns:
--   belt_key    bigint   stands for belt_id
--   visit_key   bigint   stands for service_id
--   belt_id     varchar
--   service_id  varchar  record of the reading
--   phase       varchar  found or left
--   basis       varchar  recheck or install
with

visits as (select * from history.visits),
fittings as (select * from history.fittings),

rechecks as (
    select
        belt_key,
        visit_key,
        service_id,
        case when left_n is not null then 'left' else 'found' end as phase,
        'recheck' as basis
    from visits
    where is_run_in_recheck and coalesce(left_n, found_n) is not null
),

installs as (
    select
        belt_key,
        visit_key,
        service_id,
        'left' as phase,
        'install' as basis
    from visits
    where action = 'install' and left_n is not null
),

chosen as (
    select * from rechecks
    union all
    select installs.*
    from installs
    left join rechecks using (belt_key)
    where rechecks.belt_key is null
),

final as (
    select
        chosen.belt_key,
        chosen.visit_key,
        fittings.belt_id,
        chosen.service_id,
        chosen.phase,
        chosen.basis
    from chosen
    inner join fittings using (belt_key)
)

select * from final
