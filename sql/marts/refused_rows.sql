-- Refused rows to look at: per file and set of reasons the five with the lowest lines.
-- grain: one row per refused row shown
-- key:   sha256, line
-- columns:
--   file         varchar
--   sha256       varchar  of its bytes
--   line         bigint   physical line, header = 1
--   table_name   varchar
--   column_name  varchar  column of the first reason
--   reason       varchar  codes joined by "; "
--   n_reasons    bigint   how many they are
--   n_alike      bigint   rows of the file refused for the same reasons
--   raw          varchar  the row as text, its first 300 signs
with

quarantine as (select * from results.quarantine),

ranked as (
    select
        *,
        count(*) over (partition by file, sha256, reason) as n_alike,
        row_number() over (
            partition by file, sha256, reason
            order by line, raw
        ) as place
    from quarantine
),

final as (
    select
        file,
        sha256,
        line,
        table_name,
        column_name,
        reason,
        len(string_split(reason, '; ')) as n_reasons,
        n_alike,
        left(raw, 300) as raw
    from ranked
    where place <= 5
)

select * from final
