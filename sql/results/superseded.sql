-- Every row that a later file replaced.
-- grain: a row replaced by a later file
-- key:   sha256, line
-- columns:
--   table_name varchar  the table
--   key        varchar  its key
--   file       varchar  the file it came from
--   line       bigint   its physical line
--   by_file    varchar  the file that replaced it
--   raw        varchar  the row as text
--   sha256     varchar  of the bytes of the file it came from
--   by_sha256  varchar  of the bytes of the file that replaced it
with

replaced as (select * from typed.replaced),
files as (select * from raw.files),

final as (
    select
        replaced.table_name,
        replaced.key,
        files.file,
        replaced.line,
        by_files.file as by_file,
        replaced.raw,
        files.sha256,
        by_files.sha256 as by_sha256
    from replaced
    inner join files using (file_id)
    inner join files as by_files on replaced.by_file_id = by_files.file_id
)

select * from final
