-- The tension gauges.
-- grain: one row per gauge
-- key:   gauge_id
-- columns:
--   gauge_id   varchar
--   method     varchar
--   resolution double   smallest step, in its unit
--   unit       varchar
--   shop       varchar  where it is kept
--   file_id    integer  file it came from
--   line       bigint   its physical line
with

gauges as (select * from typed.gauges),

final as (
    select
        gauge_id,
        method,
        resolution,
        unit,
        shop,
        file_id,
        line
    from gauges
)

select * from final
