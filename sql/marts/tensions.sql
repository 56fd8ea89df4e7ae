-- Every reading with its true tension and its whole standard uncertainty.
-- kind:  view
-- grain: one row per reading
-- key:   service_id, phase
-- columns:
--   service_id         varchar
--   phase              varchar
--   tension_n          double   corrected tension, N; null where it cannot be told
--   u_log              double   standard uncertainty of its log
--   correction         double   factor on the reading
--   correction_source  varchar
--   belt_state         varchar  state whose range applied
--   spec_min_n         double   N; null: no range
--   spec_max_n         double   N
--   is_firm_allowed    boolean  false beyond the calibrated spans, and out of line
with

readings as (select * from history.readings),
reading_sd as (select * from fitted.reading_sd),

final as (
    select
        readings.service_id,
        readings.phase,
        readings.tension_n,
        sqrt(
            power(coalesce(readings.u_reading, reading_sd.reading_sd), 2)
            / readings.n_averaged
            + power(readings.u_corr, 2)
        ) as u_log,
        readings.correction,
        readings.correction_source,
        readings.belt_state,
        readings.spec_min_n,
        readings.spec_max_n,
        readings.correction_source <> 'beyond_spans'
        and not readings.is_out_of_line as is_firm_allowed
    from readings
    inner join reading_sd on true
)

select * from final
