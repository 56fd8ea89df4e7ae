-- Retensions and adjusted rechecks left in range, and what was found of them next.
-- kind:  view
-- grain: one row per such setting that was read again before the tension was changed
-- key:   service_id
-- columns:
--   service_id     varchar
--   technician_id  varchar
--   model          varchar
--   miles          double   to the next reading, mi
--   left_log       double   natural log of the left tension, N
--   log_min        double   of the used range
--   log_max        double
--   left_var       double   of the left reading, in readings
--   found_var      double   of the found reading, in readings
--   left_gauge     varchar  null: not recorded
--   found_gauge    varchar
--   left_u         double   of its correction, less what both readings share
--   found_u        double
--   has_held       boolean  found in range
with

states as (select * from history.belt_states),
visits as (select * from history.visits),
vehicles as (select * from staging.vehicles),

paired as (
    select
        visit_key,
        odometer_mi,
        n_averaged,
        u_corr,
        gauge_id,
        span_mm,
        left_n,
        lead(odometer_mi) over in_order as next_odometer_mi,
        lead(found_n) over in_order as next_found_n,
        lead(n_averaged) over in_order as next_n_averaged,
        lead(u_corr) over in_order as next_u_corr,
        lead(gauge_id) over in_order as next_gauge_id,
        lead(span_mm) over in_order as next_span_mm
    from states
    window in_order as (partition by belt_key order by visit_key)
),

followed as (
    select *
    from paired
    where left_n is not null and next_found_n is not null
),

made as (
    select *
    from visits
    where
        action in ('retension', 'recheck')
        and not is_too_early
        and left_n between left_min_n and left_max_n
),

held as (
    select
        made.service_id,
        made.technician_id,
        vehicles.model,
        greatest(followed.next_odometer_mi - followed.odometer_mi, 0e0) as miles,
        ln(made.left_n) as left_log,
        ln(made.left_min_n) as log_min,
        ln(made.left_max_n) as log_max,
        1e0 / followed.n_averaged as left_var,
        1e0 / followed.next_n_averaged as found_var,
        followed.gauge_id as left_gauge,
        followed.next_gauge_id as found_gauge,
        case
            when followed.gauge_id <> followed.next_gauge_id then 1e0
            when followed.gauge_id is null or followed.next_gauge_id is null then 1e0
            when abs(followed.span_mm - followed.next_span_mm) <= 1e0 then 0e0
            else sqrt(0.5e0)
        end as own_share,
        coalesce(followed.u_corr, 0e0) as left_u,
        coalesce(followed.next_u_corr, 0e0) as found_u,
        followed.next_found_n between made.left_min_n and made.left_max_n as has_held
    from followed
    inner join made using (visit_key)
    inner join vehicles using (vehicle_no)
),

final as (
    select
        service_id,
        technician_id,
        model,
        miles,
        left_log,
        log_min,
        log_max,
        left_var,
        found_var,
        left_gauge,
        found_gauge,
        own_share * left_u as left_u,
        own_share * found_u as found_u,
        has_held
    from held
)

select * from final
