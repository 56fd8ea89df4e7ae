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
files as (select * from raw.files),

placed as (
    select
        belt_id,
        rank() over (order by due_date) as place
    from jobs
),

-- the page lists so many, those due soonest
listed as (
    select distinct belt_id
    from placed
    where place <= 2000
),

latest as (
    select
        belt_id,
        max(visits.visit_no) as visit_no
    from listed
    inner join visits using (belt_id)
    group by belt_id
),

final as (
    select
        latest.belt_id,
        files.file,
        visits.line
    from latest
    inner join visits
        on latest.belt_id = visits.belt_id and latest.visit_no = visits.visit_no
    inner join files on visits.file_id = files.file_id
)

select * from final
