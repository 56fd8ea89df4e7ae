-- The belts now running: where they stand since their last reading.
-- grain: one row per running belt
-- key:   belt_id
-- columns:
--   belt_key         bigint   stands for belt_id
--   belt_id          varchar
--   belt_no          bigint   in drift_belts; null: no reading of its tension
--   vehicle_id       varchar
--   model            varchar
--   odometer_now_mi  double   mi
--   daily_mi         double   mi a day
--   daily_sd_mi      double   its standard deviation, mi a day
--   miles_since      double   since its last row in drift_readings, mi
--   run_in_ahead     boolean  its run-in lies after that row
--   spec_min_n       double   of the used range, N; null: none published
--   spec_max_n       double   N
--   read_n           double   tension at its last reading, N; null: no reading
--   read_averaged    bigint   readings in that mean
--   read_u           double   of one reading; null: the fleet's field reading sd
--   read_u_corr      double   relative uncertainty of its correction
--   read_correction  double   factor that was put on it
with

fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),
miles as (select * from history.vehicle_miles),
-- read anew at each place: put aside it is wider than what each reads
visits as not materialized (select * from history.visits),
drift_belts as (select * from history.drift_belts),
ranges as (select * from history.ranges),

running as (
    select * from fittings
    where is_running
),

latest as (
    select
        running.belt_key,
        visits.odometer_mi,
        visits.action = 'install' or visits.is_too_early as is_before_run_in
    from visits
    inner join running on visits.visit_key = running.last_state_key
),

last_readings as (
    select
        running.belt_key,
        coalesce(visits.left_n, visits.found_n) as tension_n,
        visits.readings_averaged,
        visits.u_reading,
        visits.u_corr,
        visits.correction
    from visits
    inner join running on visits.visit_key = running.last_read_key
),

final as (
    select
        running.belt_key,
        running.belt_id,
        drift_belts.belt_no,
        running.vehicle_id,
        vehicles.model,
        miles.odometer_now_mi,
        miles.daily_mi,
        miles.daily_sd_mi,
        greatest(miles.odometer_now_mi - latest.odometer_mi, 0e0) as miles_since,
        coalesce(latest.is_before_run_in, false) as run_in_ahead,
        ranges.spec_min_n,
        ranges.spec_max_n,
        last_readings.tension_n as read_n,
        last_readings.readings_averaged as read_averaged,
        last_readings.u_reading as read_u,
        last_readings.u_corr as read_u_corr,
        last_readings.correction as read_correction
    from running
    inner join vehicles using (vehicle_no)
    inner join miles using (vehicle_no)
    left join latest on running.belt_key = latest.belt_key
    left join last_readings on running.belt_key = last_readings.belt_key
    left join drift_belts on running.belt_key = drift_belts.belt_key
    left join ranges
        on running.drive_id = ranges.drive_id and ranges.belt_state = 'used'
)

select * from final
