-- Retensions and adjusted rechecks left in range, and what was found of them next.
-- grain: one row per such setting that was read again before the tension was changed
-- key:   service_id
-- partition: vehicle_id
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
--   u_corr         double   of the two gauges together; 0: one and the same
--   has_held       boolean  found in range
with

states as (select * from history.belt_states),
made as (select * from marts.settings_made),
readings as (select * from history.readings),

followed as (
    select
        service_id,
        odometer_mi,
        n_averaged,
        u_corr,
        gauge_id,
        lead(service_id) over in_order as next_service_id,
        lead(odometer_mi) over in_order as next_odometer_mi,
        lead(found_n) over in_order as next_found_n,
        lead(n_averaged) over in_order as next_n_averaged,
        lead(u_corr) over in_order as next_u_corr,
        lead(gauge_id) over in_order as next_gauge_id
    from states
    window in_order as (partition by belt_id order by visit_no)
),

final as (
    select
        made.service_id,
        made.technician_id,
        made.model,
        greatest(followed.next_odometer_mi - followed.odometer_mi, 0e0) as miles,
        ln(readings.tension_n) as left_log,
        ln(readings.spec_min_n) as log_min,
        ln(readings.spec_max_n) as log_max,
        1e0 / followed.n_averaged as left_var,
        1e0 / followed.next_n_averaged as found_var,
        case
            when followed.gauge_id = followed.next_gauge_id then 0e0
            else
                sqrt(
                    power(coalesce(followed.u_corr, 0e0), 2)
                    + power(coalesce(followed.next_u_corr, 0e0), 2)
                )
        end as u_corr,
        followed.next_found_n between readings.spec_min_n and readings.spec_max_n
            as has_held
    from made
    inner join followed using (service_id)
    inner join readings
        on made.service_id = readings.service_id and readings.phase = 'left'
    where
        made.action in ('retension', 'recheck')
        and made.is_in_range
        and not readings.is_new
        and followed.next_found_n is not null
)

select * from final
