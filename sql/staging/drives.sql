-- The accessory drive layouts.
-- grain: one row per drive
-- key:   drive_id
-- columns:
--   drive_id           varchar
--   ribs               bigint
--   alternator_pulley  varchar
--   belt_mass_kg_per_m double   mass of the whole belt, kg/m
--   belt_length_mm     double
--   part_number        varchar
--   description        varchar
--   file_id            integer  file it came from
--   line               bigint   its physical line
with

drives as (select * from typed.drives),

final as (
    select
        drive_id,
        ribs,
        alternator_pulley,
        belt_mass_g_per_m / 1e3 as belt_mass_kg_per_m,
        belt_length_mm,
        part_number,
        description,
        file_id,
        line
    from drives
)

select * from final
