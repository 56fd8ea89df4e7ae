-- The drives that vehicles and records name, numbered.
-- grain: one row per drive
-- key:   drive_id
-- columns:
--   drive_id  varchar
--   drive_no  bigint   0, 1, …
--   n_drives  bigint
with

vehicles as (select * from staging.vehicles),
services as (select * from staging.services),

named as (
    select drive_id from vehicles
    union
    select drive_id from services
    where drive_id is not null
),

final as (
    select
        drive_id,
        row_number() over (order by drive_id) - 1 as drive_no,
        count(*) over () as n_drives
    from named
)

select * from final
