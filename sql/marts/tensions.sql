-- Every tension in logs with its whole standard uncertainty, to be held to its range.
-- grain: one row per reading with a tension
-- key:   service_id, phase
-- columns:
--   service_id       varchar
--   phase            varchar
--   log_tension      double   natural log of N
--   u_log            double   standard uncertainty of it
--   log_min          double   null: no range
--   log_max          double
--   is_firm_allowed  boolean  false beyond the calibrated spans, and out of line
with

readings as (select * from history.readings),
reading_sd as (select * from fitted.reading_sd),

final as (
    select
        readings.service_id,
        readings.phase,
        ln(readings.tension_n) as log_tension,
        sqrt(
            power(coalesce(readings.u_reading, reading_sd.reading_sd), 2)
            / readings.n_averaged
            + power(readings.u_corr, 2)
        ) as u_log,
        ln(readings.spec_min_n) as log_min,
        ln(readings.spec_max_n) as log_max,
        readings.correction_source <> 'beyond_spans'
        and not readings.is_out_of_line as is_firm_allowed
    from readings
    inner join reading_sd on true
    where readings.tension_n is not null
)

select * from final
