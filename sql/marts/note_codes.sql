-- What was doubtful about rows that were kept, per table and code.
-- grain: one row per table and code
-- key:   table_name, code
-- columns:
--   table_name      varchar
--   code            varchar
--   n               bigint
--   example_key     varchar
--   example_detail  varchar
with

notes as (select * from results.data_notes),

ranked as (
    select
        table_name,
        code,
        key,
        detail,
        count(*) over (partition by table_name, code) as n,
        row_number() over (partition by table_name, code order by key, detail)
            as example_no
    from notes
),

final as (
    select
        table_name,
        code,
        n,
        key as example_key,
        detail as example_detail
    from ranked
    where example_no = 1
)

select * from final
