-- The belt that was on when an accessory was repaired, for repairs up to as-of.
-- grain: one row per repair up to as-of
-- key:   repair_id
-- columns:
--   repair_id    varchar
--   vehicle_id   varchar
--   belt_key     bigint   stands for belt_id
--   belt_id      varchar  null: no belt is known to have been on
--   date         date
--   odometer_mi  double   mi
--   is_bearing   boolean  a bearing was at fault
with

repairs as (select * from staging.repairs),
vehicles as (select * from staging.vehicles),
pulleys as (select * from staging.pulleys),
fittings as (select * from history.fittings),
as_of as (select * from history.as_of),

driven as (
    select
        drive_id,
        accessory,
        count(*) as n
    from pulleys
    group by drive_id, accessory
),

drives_known as (
    select
        drive_id,
        count(*) as n
    from pulleys
    group by drive_id
),

placed as (
    select
        repairs.repair_id,
        repairs.vehicle_id,
        vehicles.vehicle_no,
        vehicles.drive_id as own_drive_id,
        repairs.date,
        repairs.odometer_mi,
        repairs.accessory,
        repairs.fault = 'bearing' as is_bearing
    from repairs
    inner join vehicles using (vehicle_id)
    inner join as_of on repairs.date <= as_of.as_of
),

-- a belt that drives the accessory, then one that may, then the vehicle's own drive;
-- on the very mile of a change two belts were on: the repair is of the first
candidates as (
    select
        placed.repair_id,
        fittings.belt_key,
        fittings.belt_id,
        row_number() over (
            partition by placed.repair_id
            order by
                case
                    when driven.n is not null then 0
                    when drives_known.n is null then 1
                    else 2
                end asc,
                case when fittings.drive_id = placed.own_drive_id then 0 else 1 end asc,
                fittings.drive_id asc,
                fittings.fitting_no asc
        ) as choice
    from placed
    inner join fittings
        on
            placed.vehicle_no = fittings.vehicle_no
            and placed.odometer_mi >= coalesce(fittings.fitted_mi, 0e0)
            and placed.odometer_mi <= coalesce(fittings.ended_mi, 1e300)
    left join driven
        on
            fittings.drive_id = driven.drive_id
            and placed.accessory = driven.accessory
    left join drives_known on fittings.drive_id = drives_known.drive_id
),

final as (
    select
        placed.repair_id,
        placed.vehicle_id,
        candidates.belt_key,
        candidates.belt_id,
        placed.date,
        placed.odometer_mi,
        placed.is_bearing
    from placed
    left join candidates
        on placed.repair_id = candidates.repair_id and candidates.choice = 1
)

select * from final
