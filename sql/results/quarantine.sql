-- Every row refused, with its place, its reasons and its text.
-- grain: a row refused
-- key:   sha256, line
-- columns:
--   file        varchar  the file
--   line        bigint   physical line, header = 1
--   table_name  varchar  the table it was meant for
--   column_name varchar  column of the first reason
--   reason      varchar  codes joined by "; "
--   raw         varchar  the row as text
--   sha256      varchar  of the file's bytes: tells files of one name apart
with

refusals as (select * from typed.refusals),
files as (select * from raw.files),

final as (
    select
        files.file,
        refusals.line,
        refusals.table_name,
        refusals.column_name,
        refusals.reason,
        refusals.raw,
        files.sha256
    from refusals
    inner join files using (file_id)
)

select * from final
