-- The pulleys of the drives, in belt order.
-- grain: one row per pulley
-- key:   drive_id, position
-- columns:
--   drive_id         varchar
--   position         bigint
--   accessory        varchar
--   x_mm             double
--   y_mm             double
--   diameter_mm      double
--   side             varchar
--   has_gauge_access boolean  a gauge reaches the span to the next pulley
--   file_id          integer  file it came from
--   line             bigint   its physical line
with

pulleys as (select * from typed.pulleys),

final as (
    select
        drive_id,
        position,
        accessory,
        x_mm,
        y_mm,
        diameter_mm,
        side,
        coalesce(gauge_access = 'yes', false) as has_gauge_access,
        file_id,
        line
    from pulleys
)

select * from final
