-- The true tension behind every reading in the records, and how it stands.
-- grain: one reading in the records
-- key:   service_id, phase
-- columns:
--   service_id         varchar
--   phase              varchar  found or left
--   tension_n          double   corrected tension, N; null where it cannot be told
--   tension_u_n        double   standard uncertainty, N
--   correction         double   factor on the reading
--   correction_source  varchar  where it came from
--   belt_state         varchar  state whose range applied
--   spec_min_n         double   lower limit, N
--   spec_max_n         double   upper limit, N
--   p_under            double   probability below the range
--   p_in               double   probability inside
--   p_over             double   probability above
--   verdict            varchar  in a word; null where there is no tension
with

readings as (select * from history.readings),
tensions as (select * from marts.tensions),
conformity as (select * from fitted.conformity),

final as (
    select
        readings.service_id,
        readings.phase,
        readings.tension_n,
        readings.tension_n * tensions.u_log as tension_u_n,
        readings.correction,
        readings.correction_source,
        readings.belt_state,
        readings.spec_min_n,
        readings.spec_max_n,
        conformity.p_under,
        conformity.p_in,
        conformity.p_over,
        conformity.verdict
    from readings
    left join tensions using (service_id, phase)
    left join conformity using (service_id, phase)
)

select * from final
