-- How far each vehicle has run, how fast it runs, and where its odometer stands now.
-- grain: one row per vehicle with an odometer
-- key:   vehicle_id
-- columns:
--   vehicle_no         bigint   stands for vehicle_id
--   vehicle_id         varchar
--   first_date         date     first day with an odometer
--   first_odometer_mi  double   that day's least, mi
--   last_date          date     last day with an odometer
--   last_odometer_mi   double   odometer then, mi
--   first_inside_mi    double   lowest odometer since the records are complete, mi
--   daily_mi           double   of late, mi a day; 0: not known, or retired
--   daily_sd_mi        double   its standard deviation, mi a day
--   is_retired         boolean  retired on or before as-of
--   odometer_now_mi    double   last odometer carried to as-of (to retirement), mi
with

as_of as (select * from history.as_of),
vehicles as (select * from staging.vehicles),
points as (select * from history.odometer_points),
daily_miles as (select * from fitted.daily_miles),
settings as (select * from typed.settings),

lasts as (
    select
        points.vehicle_no,
        min(points.date) as first_date,
        arg_min(points.least_mi, points.date) as first_odometer_mi,
        max(points.date) as last_date,
        arg_max(points.odometer_mi, points.date) as last_odometer_mi,
        min(points.least_mi) filter (
            where points.date >= coalesce(settings.records_from, points.date)
        ) as first_inside_mi
    from points
    inner join settings on true
    group by points.vehicle_no
),

joined as (
    select
        lasts.vehicle_no,
        vehicles.vehicle_id,
        lasts.first_date,
        lasts.first_odometer_mi,
        lasts.last_date,
        lasts.last_odometer_mi,
        lasts.first_inside_mi,
        coalesce(daily_miles.daily_mi, 0e0) as daily_mi,
        coalesce(daily_miles.daily_sd_mi, 0e0) as daily_sd_mi,
        coalesce(vehicles.retired_date <= as_of.as_of, false) as is_retired,
        date_diff(
            'day',
            lasts.last_date,
            least(as_of.as_of, coalesce(vehicles.retired_date, as_of.as_of))
        ) as days_since
    from lasts
    inner join vehicles using (vehicle_no)
    inner join as_of on lasts.last_date <= as_of.as_of
    left join daily_miles on vehicles.vehicle_id = daily_miles.vehicle_id
),

final as (
    select
        vehicle_no,
        vehicle_id,
        first_date,
        first_odometer_mi,
        last_date,
        last_odometer_mi,
        first_inside_mi,
        daily_mi,
        daily_sd_mi,
        is_retired,
        last_odometer_mi + daily_mi * greatest(days_since, 0) as odometer_now_mi
    from joined
)

select * from final
