-- Comparable settings added up, from which the person and the gauge are told apart.
-- grain: one row per technician, gauge at a span and model
-- key:   technician_id, gs_no, model_no
-- columns:
--   technician_id  varchar
--   technician_no  bigint
--   gauge_no       bigint
--   gs_no          bigint   a gauge at a span, per 1 % that its ratio has changed
--   model_no       bigint
--   n              bigint   settings
--   mean_d         double   mean of log of the tension to the middle of its range
--   ss_d           double   sum of squares about that mean
--   rho_gs         double   log ratio of the gauge at the span, mean of its settings
--   u_corr_gs      double   standard uncertainty of it
with

settings_made as (select * from marts.settings_made),

-- whole numbers, so that the sums are the same in any order
summed as (
    select
        technician_id,
        gauge_id,
        span_mm,
        cast(floor(log_ratio * 1e2 + 0.5e0) as bigint) as ratio_step,
        model,
        count(*) as n,
        cast(sum(cast(level * 1e9 as bigint)) as double) / 1e9 as total,
        cast(sum(cast(level * level * 1e15 as bigint)) as double) / 1e15 as squares,
        sum(cast(log_ratio * 1e12 as bigint)) as ratios,
        max(u_corr) as u_corr
    from settings_made
    where is_comparable
    group by technician_id, gauge_id, span_mm, ratio_step, model
),

numbered as (
    select
        *,
        dense_rank() over (order by technician_id) as technician_no,
        dense_rank() over (order by gauge_id) as gauge_no,
        dense_rank() over (order by gauge_id, span_mm, ratio_step) as gs_no,
        dense_rank() over (order by model) as model_no
    from summed
),

final as (
    select
        technician_id,
        technician_no,
        gauge_no,
        gs_no,
        model_no,
        n,
        total / n as mean_d,
        greatest(squares - total * total / n, 0e0) as ss_d,
        cast(sum(ratios) over (partition by gs_no) as double) / 1e12
        / sum(n) over (partition by gs_no) as rho_gs,
        max(u_corr) over (partition by gs_no) as u_corr_gs
    from numbered
)

select * from final
