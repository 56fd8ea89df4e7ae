-- Where each running belt stands now, and what lies ahead of it.
-- grain: one row per belt now running
-- key:   belt_id
-- columns:
--   belt_id              varchar  the belt
--   vehicle_id           varchar  the vehicle
--   odometer_now_mi      double   odometer carried to as-of, mi
--   tension_now_n        double   tension now, N
--   tension_now_lo_n     double   lower 95 % limit
--   tension_now_hi_n     double   upper 95 % limit
--   p_under_now          double   probability that it is under its range now
--   drift_pct_per_1000mi double   its own rate of loss, % per 1,000 mi
--   daily_mi             double   of its vehicle of late; 0: not known, mi a day
--   daily_lo_mi          double   lower 95 % limit
--   daily_hi_mi          double   upper 95 % limit
--   retension_due_mi     double   odometer at which it is due, mi
--   retension_due_date   date     day at which it is due at those daily miles
--   p_failure_90d        double   probability that it fails in the next 90 days
with

belt_now as (select * from fitted.belt_now),
lives as (select * from fitted.belt_lives),

final as (
    select
        belt_now.belt_id,
        belt_now.vehicle_id,
        belt_now.odometer_now_mi,
        belt_now.tension_now_n,
        belt_now.tension_now_lo_n,
        belt_now.tension_now_hi_n,
        belt_now.p_under_now,
        belt_now.drift_pct_per_1000mi,
        belt_now.daily_mi,
        belt_now.daily_lo_mi,
        belt_now.daily_hi_mi,
        belt_now.retension_due_mi,
        belt_now.retension_due_date,
        lives.p_failure_90d
    from belt_now
    left join lives using (belt_id)
)

select * from final
