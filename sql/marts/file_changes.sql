-- The files that were taken in, or taken back, since the last run on other records.
-- grain: a file that only one of the two runs had
-- key:   file, sha256
-- columns:
--   file       varchar  name as given
--   sha256     varchar  of its bytes
--   table_name varchar  the table it feeds
--   change     varchar  new or gone
with

files_before as (select * from previous.load_files),
facts_before as (select * from previous.run_info),
files_now as (select * from results.load_files),

was_run as (
    select count(*) > 0 as is_compared
    from facts_before
),

came as (
    select
        files_now.file,
        files_now.sha256,
        files_now.table_name,
        'new' as change
    from files_now
    left join files_before
        on
            files_now.sha256 = files_before.sha256
            and files_now.file = files_before.file
    inner join was_run on was_run.is_compared
    where files_before.sha256 is null
),

went as (
    select
        files_before.file,
        files_before.sha256,
        files_before.table_name,
        'gone' as change
    from files_before
    left join files_now
        on
            files_before.sha256 = files_now.sha256
            and files_before.file = files_now.file
    where files_now.sha256 is null
),

final as (
    select * from came
    union all
    select * from went
)

select * from final
