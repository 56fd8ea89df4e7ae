-- Why rows were refused, per file and reason, with an example of each.
-- grain: one row per file and reason code
-- key:   file, table_name, reason
-- columns:
--   file          varchar
--   table_name    varchar
--   reason        varchar  one code
--   n             bigint   rows refused for it (a row may have several)
--   example_line  bigint   first line refused for it
--   example_raw   varchar  that row as text
with

quarantine as (select * from results.quarantine),

reasons as (
    select
        file,
        table_name,
        unnest(string_split(reason, '; ')) as reason,
        line,
        raw
    from quarantine
),

ranked as (
    select
        file,
        table_name,
        reason,
        line,
        raw,
        count(*) over (partition by file, table_name, reason) as n,
        row_number() over (
            partition by file, table_name, reason
            order by line, raw
        ) as example_no
    from reasons
),

final as (
    select
        file,
        table_name,
        reason,
        n,
        line as example_line,
        raw as example_raw
    from ranked
    where example_no = 1
)

select * from final
