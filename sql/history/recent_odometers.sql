-- The odometers that say how far a vehicle in service drives a day, of late.
-- grain: one row per vehicle and day
-- key:   vehicle_id, date
-- partition: vehicle_id
-- columns:
--   vehicle_id   varchar
--   date         date     in the last 180 days, or one of its last two
--   odometer_mi  double   mi
with

as_of as (select * from history.as_of),
vehicles as (select * from staging.vehicles),
points as (select * from history.odometer_points),

ranked as (
    select
        points.vehicle_id,
        points.date,
        points.odometer_mi,
        date_diff('day', points.date, as_of.as_of) as age_days,
        row_number() over (
            partition by points.vehicle_id
            order by points.date desc
        ) as from_last,
        count(*) filter (where date_diff('day', points.date, as_of.as_of) <= 180)
            over (partition by points.vehicle_id) as n_recent
    from points
    inner join vehicles using (vehicle_id)
    inner join as_of on true
    where coalesce(vehicles.retired_date > as_of.as_of, true)
),

final as (
    select
        vehicle_id,
        date,
        odometer_mi
    from ranked
    where
        age_days <= 180
        or from_last <= 2
        or (from_last = n_recent + 1 and age_days <= 360)
)

select * from final
