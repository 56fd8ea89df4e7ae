-- How far each vehicle has run, how fast it runs, and where its odometer stands now.
-- grain: one row per vehicle with an odometer
-- key:   vehicle_id
-- partition: vehicle_id
-- columns:
--   vehicle_id         varchar
--   first_date         date     first day with an odometer
--   first_odometer_mi  double   odometer then, mi
--   last_date          date     last day with an odometer
--   last_odometer_mi   double   odometer then, mi
--   daily_mi           double   of late, mi a day; 0: not known, or retired
--   daily_sd_mi        double   its standard deviation, mi a day
--   is_retired         boolean  retired on or before as-of
--   odometer_now_mi    double   last odometer carried to as-of (to retirement), mi
with

as_of as (select * from history.as_of),
vehicles as (select * from staging.vehicles),
points as (select * from history.odometer_points),
daily_miles as (select * from fitted.daily_miles),

ends as (
    select
        vehicle_id,
        date,
        odometer_mi,
        first_value(date) over whole as first_date,
        first_value(odometer_mi) over whole as first_odometer_mi,
        last_value(date) over whole as last_date,
        last_value(odometer_mi) over whole as last_odometer_mi
    from points
    window whole as (
        partition by vehicle_id
        order by date
        rows between unbounded preceding and unbounded following
    )
),

lasts as (
    select
        vehicle_id,
        max(first_date) as first_date,
        max(first_odometer_mi) as first_odometer_mi,
        max(last_date) as last_date,
        max(last_odometer_mi) as last_odometer_mi
    from ends
    group by vehicle_id
),

joined as (
    select
        lasts.vehicle_id,
        lasts.first_date,
        lasts.first_odometer_mi,
        lasts.last_date,
        lasts.last_odometer_mi,
        coalesce(daily_miles.daily_mi, 0e0) as daily_mi,
        coalesce(daily_miles.daily_sd_mi, 0e0) as daily_sd_mi,
        coalesce(vehicles.retired_date <= as_of.as_of, false) as is_retired,
        date_diff(
            'day',
            lasts.last_date,
            least(as_of.as_of, coalesce(vehicles.retired_date, as_of.as_of))
        ) as days_since
    from lasts
    inner join vehicles using (vehicle_id)
    inner join as_of on lasts.last_date <= as_of.as_of
    left join daily_miles using (vehicle_id)
),

final as (
    select
        vehicle_id,
        first_date,
        first_odometer_mi,
        last_date,
        last_odometer_mi,
        daily_mi,
        daily_sd_mi,
        is_retired,
        last_odometer_mi + daily_mi * greatest(days_since, 0) as odometer_now_mi
    from joined
)

select * from final
