-- Every shop, gauge and span that readings were taken with.
-- grain: one row per shop, gauge and span
-- key:   use_no
-- columns:
--   use_no     bigint
--   shop       varchar
--   gauge_id   varchar  null: not recorded
--   span_mm    double   null: not recorded
with

services as (select * from staging.services),

uses as (
    select distinct
        shop,
        gauge_id,
        span_mm
    from services
    where reading_found is not null or reading_left is not null
),

final as (
    select
        row_number() over (
            order by shop, gauge_id nulls first, span_mm nulls first
        ) as use_no,
        shop,
        gauge_id,
        span_mm
    from uses
)

select * from final
