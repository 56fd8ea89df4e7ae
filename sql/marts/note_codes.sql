-- What was doubtful about rows that were kept, per table and code.
-- grain: one row per table and code
-- key:   table_name, code
-- columns:
--   table_name      varchar
--   code            varchar
--   n               bigint
--   sentence        varchar  what is doubtful
--   mend            varchar  what to do
--   setting         varchar  the key of fleetbelt.toml that decides it; null: none
--   example_key     varchar
--   example_detail  varchar
--   file            varchar  of the example
--   line            bigint   physical line of the example, header = 1
with

notes as (select * from results.data_notes),
codes as (select * from typed.codes),

counted as (
    select
        table_name,
        code,
        count(*) as n,
        min(key) as example_key,
        arg_min(detail, key) as example_detail,
        arg_min(file, key) as file,
        arg_min(line, key) as line
    from notes
    group by table_name, code
),

final as (
    select
        counted.table_name,
        counted.code,
        counted.n,
        codes.sentence,
        codes.mend,
        nullif(codes.setting, '') as setting,
        counted.example_key,
        counted.example_detail,
        counted.file,
        counted.line
    from counted
    left join codes using (code)
)

select * from final
