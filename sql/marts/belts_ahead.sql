-- The belts that run, with what the plan has to know of each.
-- grain: one row per running belt
-- key:   belt_id
-- columns:
--   belt_key         bigint   stands for belt_id
--   belt_id          varchar
--   vehicle_no       bigint   stands for vehicle_id
--   depot            varchar
--   drive_id         varchar
--   part_number      varchar  of its drive's belt; null: not recorded
--   model            varchar
--   log_middle       double   log of middle over minimum of its used range
--   odometer_now_mi  double   mi
--   daily_mi         double   mi a day
--   daily_sd_mi      double   its standard deviation, mi a day
--   due_in_mi        double   miles to a retension; 0: now; null: not known
--   p_under_now      double   chance that it is under its range now
--   p_under_later    double   the same at the end of the plan, nothing being done
--   since_set_mi     double   since its tension was last set, mi
with

running as (select * from history.running_belts),
fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),
drives as (select * from staging.drives),
belt_now as (select * from fitted.belt_now),

final as (
    select
        running.belt_key,
        running.belt_id,
        fittings.vehicle_no,
        vehicles.depot,
        fittings.drive_id,
        drives.part_number,
        running.model,
        ln((running.spec_min_n + running.spec_max_n) / 2e0 / running.spec_min_n)
            as log_middle,
        running.odometer_now_mi,
        running.daily_mi,
        running.daily_sd_mi,
        belt_now.due_in_mi,
        belt_now.p_under_now,
        belt_now.p_under_later,
        belt_now.since_set_mi
    from running
    inner join fittings on running.belt_key = fittings.belt_key
    inner join vehicles on fittings.vehicle_no = vehicles.vehicle_no
    left join drives on fittings.drive_id = drives.drive_id
    left join belt_now on running.belt_id = belt_now.belt_id
)

select * from final
