-- The drives that vehicles and records name: their number, belt mass and ranges.
-- grain: one row per drive
-- key:   drive_id
-- columns:
--   drive_id            varchar
--   drive_no            bigint   0, 1, …
--   n_drives            bigint
--   belt_mass_kg_per_m  double   null: not known
--   new_min_n           double   range of a new belt, N; null: none published
--   new_max_n           double   N
--   used_min_n          double   range of a used belt, N; null: none published
--   used_max_n          double   N
with

vehicles as (select * from staging.vehicles),
services as (select * from staging.services),
drives as (select * from staging.drives),
ranges as (select * from history.ranges),

named as (
    select drive_id from vehicles
    union
    select drive_id from services
    where drive_id is not null
),

final as (
    select
        named.drive_id,
        row_number() over (order by named.drive_id) - 1 as drive_no,
        count(*) over () as n_drives,
        drives.belt_mass_kg_per_m,
        new_range.spec_min_n as new_min_n,
        new_range.spec_max_n as new_max_n,
        used_range.spec_min_n as used_min_n,
        used_range.spec_max_n as used_max_n
    from named
    left join drives using (drive_id)
    left join ranges as new_range
        on named.drive_id = new_range.drive_id and new_range.belt_state = 'new'
    left join ranges as used_range
        on named.drive_id = used_range.drive_id and used_range.belt_state = 'used'
)

select * from final
