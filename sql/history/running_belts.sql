-- The belts now running: where they stand since their last reading.
-- grain: one row per running belt
-- key:   belt_id
-- columns:
--   belt_id          varchar
--   belt_no          bigint   in drift_readings; null: no reading of its tension
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
states as (select * from history.belt_states),
drift_readings as (select * from history.drift_readings),
ranges as (select * from history.ranges),
readings as (select * from history.readings),

latest as (
    select
        belt_id,
        odometer_mi,
        is_before_run_in,
        row_number() over (partition by belt_id order by visit_no desc) as from_last
    from states
),

last_readings as (
    select
        belt_id,
        tension_n,
        n_averaged,
        u_reading,
        u_corr,
        correction,
        row_number() over (
            partition by belt_id
            order by
                visit_no desc,
                case phase when 'left' then 0 else 1 end
        ) as from_last
    from readings
    where is_used and tension_n is not null
),

numbers as (
    select distinct
        belt_id,
        belt_no
    from drift_readings
),

final as (
    select
        fittings.belt_id,
        numbers.belt_no,
        fittings.vehicle_id,
        vehicles.model,
        miles.odometer_now_mi,
        miles.daily_mi,
        miles.daily_sd_mi,
        greatest(miles.odometer_now_mi - latest.odometer_mi, 0e0) as miles_since,
        coalesce(latest.is_before_run_in, false) as run_in_ahead,
        ranges.spec_min_n,
        ranges.spec_max_n,
        last_readings.tension_n as read_n,
        last_readings.n_averaged as read_averaged,
        last_readings.u_reading as read_u,
        last_readings.u_corr as read_u_corr,
        last_readings.correction as read_correction
    from fittings
    inner join vehicles using (vehicle_id)
    inner join miles using (vehicle_id)
    left join latest on fittings.belt_id = latest.belt_id and latest.from_last = 1
    left join last_readings
        on fittings.belt_id = last_readings.belt_id and last_readings.from_last = 1
    left join numbers on fittings.belt_id = numbers.belt_id
    left join ranges
        on fittings.drive_id = ranges.drive_id and ranges.belt_state = 'used'
    where fittings.is_running
)

select * from final
