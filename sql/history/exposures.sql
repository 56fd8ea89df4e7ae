-- The miles of each belt in which a complaint would have been recorded.
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
points as (select * from history.odometer_points),
settings as (select * from typed.settings),

insides as (
    select
        points.vehicle_no,
        min(points.odometer_mi) as first_inside_mi
    from points
    inner join settings on true
    where points.date >= coalesce(settings.records_from, points.date)
    group by points.vehicle_no
),

bounded as (
    select
        fittings.belt_key,
        fittings.belt_id,
        fittings.vehicle_no,
        fittings.vehicle_id,
        case
            when fittings.is_late then fittings.entered_mi
            when fittings.fitted_mi is not null then fittings.fitted_mi
            else greatest(fittings.first_known_mi, insides.first_inside_mi)
        end as from_mi,
        fittings.last_known_mi as to_mi,
        fittings.fitted_mi
    from fittings
    inner join insides using (vehicle_no)
),

final as (
    select
        belt_key,
        belt_id,
        vehicle_no,
        vehicle_id,
        from_mi,
        to_mi,
        to_mi - from_mi as miles,
        fitted_mi
    from bounded
    where from_mi is not null and to_mi >= from_mi
)

select * from final
