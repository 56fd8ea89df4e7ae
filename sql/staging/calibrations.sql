-- The readings of known loads, in newtons.
-- grain: one row per calibration reading
-- key:   file_id, line
-- columns:
--   gauge_id      varchar
--   date          date
--   span_mm       double   span the gauge sat on, mm
--   reference_n   double   known tension, N
--   reading_n     double   what the gauge showed, N
--   technician_id varchar
--   run           varchar
--   file_id       integer  file it came from
--   line          bigint   its physical line
with

calibrations as (select * from typed.calibrations),

final as (
    select
        gauge_id,
        date,
        coalesce(span_mm, span_in * 25.4e0) as span_mm,
        reference
        * case unit
            when 'lbf' then 4.4482216152605e0
            when 'kgf' then 9.80665e0
            when 'N' then 1e0
        end as reference_n,
        reading
        * case unit
            when 'lbf' then 4.4482216152605e0
            when 'kgf' then 9.80665e0
            when 'N' then 1e0
        end as reading_n,
        technician_id,
        run,
        file_id,
        line
    from calibrations
)

select * from final
