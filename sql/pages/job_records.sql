-- The last record of each belt whose job the plan's page lists.
-- grain: one row per belt with one of the jobs due soonest
-- key:   belt_id
-- columns:
--   belt_id  varchar
--   file     varchar
--   line     bigint
with

jobs as (select * from results.work_plan),
visits as (select * from history.visits),
fittings as (select * from history.fittings),
files as (select * from raw.files),

placed as (
    select
        belt_id,
        row_number() over (
            order by due_date asc, expected_cost desc, belt_id asc
        ) as place
    from jobs
),

-- the page lists so many, in this order
listed as (
    select
        fittings.belt_id,
        fittings.belt_key
    from placed
    inner join fittings using (belt_id)
    where placed.place <= 2000
),

latest as (
    select
        listed.belt_id,
        max(visits.visit_key) as visit_key
    from listed
    inner join visits using (belt_key)
    group by listed.belt_id
),

final as (
    select
        latest.belt_id,
        files.file,
        visits.line
    from latest
    inner join visits using (visit_key)
    inner join files on visits.file_id = files.file_id
)

select * from final
