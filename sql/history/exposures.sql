-- The miles of each belt in which a complaint would have been recorded.
-- kind:  view
-- grain: one row per belt with miles under observation
-- key:   belt_id
-- columns:
--   belt_key    bigint   stands for belt_id
--   belt_id     varchar
--   vehicle_no  bigint   stands for vehicle_id
--   vehicle_id  varchar
--   from_mi     double   odometer at the fitting, or when first seen inside, mi
--   to_mi       double   odometer at its coming off, or the vehicle's last, mi
--   miles       double   mi
--   fitted_mi   double   odometer at the fitting, mi; null: unknown age
with

fittings as (select * from history.fittings),

final as (
    select
        belt_key,
        belt_id,
        vehicle_no,
        vehicle_id,
        observed_from_mi as from_mi,
        last_known_mi as to_mi,
        last_known_mi - observed_from_mi as miles,
        fitted_mi
    from fittings
    where last_known_mi >= observed_from_mi
)

select * from final
