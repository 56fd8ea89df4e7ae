-- Every day's odometer of every vehicle, from all records up to as-of.
-- grain: one row per vehicle and day
-- key:   vehicle_id, date
-- columns:
--   vehicle_id   varchar
--   date         date
--   odometer_mi  double   the day's largest, mi
with

as_of as (select * from history.as_of),
services as (select * from staging.services),
odometers as (select * from staging.odometers),
complaints as (select * from staging.complaints),
repairs as (select * from staging.repairs),

records as (
    select
        vehicle_id,
        date,
        odometer_mi
    from services
    union all
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

final as (
    select
        records.vehicle_id,
        records.date,
        max(records.odometer_mi) as odometer_mi
    from records
    inner join as_of on records.date <= as_of.as_of
    group by records.vehicle_id, records.date
)

select * from final
