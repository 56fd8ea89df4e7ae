-- Why rows were refused, per file and reason, and how to mend it.
-- grain: one row per file and reason code
-- key:   sha256, reason
-- columns:
--   file          varchar
--   sha256        varchar  of its bytes
--   table_name    varchar
--   reason        varchar  one code
--   n             bigint   rows refused for it (a row may have several)
--   sentence      varchar  what is wrong with such a row
--   mend          varchar  what to do
--   setting       varchar  the key of fleetbelt.toml that may mend it; null: none
with

quarantine as (select * from results.quarantine),
codes as (select * from typed.codes),

reasons as (
    select
        file,
        sha256,
        table_name,
        unnest(string_split(reason, '; ')) as reason
    from quarantine
),

counted as (
    select
        file,
        sha256,
        table_name,
        reason,
        count(*) as n
    from reasons
    group by file, sha256, table_name, reason
),

final as (
    select
        counted.file,
        counted.sha256,
        counted.table_name,
        counted.reason,
        counted.n,
        codes.sentence,
        codes.mend,
        nullif(codes.setting, '') as setting
    from counted
    left join codes on counted.reason = codes.code
)

select * from final
