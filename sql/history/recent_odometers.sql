-- The odometers that say how far a vehicle in service drives a day, of late.
-- kind:  view
-- grain: one row per vehicle and day
-- key:   vehicle_no, date
-- columns:
--   vehicle_no   bigint   stands for vehicle_id
--   date         date     in the last 360 days, or one of its last two
--   odometer_mi  double   mi
with

as_of as (select * from history.as_of),
vehicles as (select * from staging.vehicles),
points as (select * from history.odometer_points),

lasts as (
    select
        points.vehicle_no,
        list_min(max(points.date, 2)) as from_date
    from points
    inner join vehicles using (vehicle_no)
    inner join as_of on true
    where coalesce(vehicles.retired_date > as_of.as_of, true)
    group by points.vehicle_no
),

final as (
    select
        points.vehicle_no,
        points.date,
        points.odometer_mi
    from points
    inner join lasts using (vehicle_no)
    inner join as_of on true
    where points.date >= least(lasts.from_date, as_of.as_of - 360)
)

select * from final
