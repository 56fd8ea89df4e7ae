-- Every day's odometers of every vehicle, from all records up to as-of.
-- grain: one row per vehicle and day
-- key:   vehicle_no, date
-- columns:
--   vehicle_no   bigint   stands for vehicle_id
--   date         date
--   odometer_mi  double   the day's largest, mi
--   least_mi     double   the day's least, mi
with

as_of as (select * from history.as_of),
vehicles as (select * from staging.vehicles),
visits as (select * from history.visits),
odometers as (select * from staging.odometers),
complaints as (select * from staging.complaints),
repairs as (select * from staging.repairs),

others as (
    select
        vehicle_id,
        date,
        odometer_mi
    from odometers
    union all
    select
        vehicle_id,
        date,
        odometer_mi
    from complaints
    union all
    select
        vehicle_id,
        date,
        odometer_mi
    from repairs
),

records as (
    select
        vehicle_no,
        date,
        odometer_mi
    from visits
    union all
    select
        vehicles.vehicle_no,
        others.date,
        others.odometer_mi
    from others
    inner join vehicles using (vehicle_id)
    inner join as_of on others.date <= as_of.as_of
),

final as (
    select
        vehicle_no,
        date,
        max(odometer_mi) as odometer_mi,
        min(odometer_mi) as least_mi
    from records
    group by vehicle_no, date
)

select * from final
