-- What each belt's tension did between one reading and the next.
-- grain: consecutive visits of a belt with a reading
-- key:   belt_id, from_service_id
-- columns:
--   belt_id         varchar  the belt
--   from_service_id varchar  first visit
--   to_service_id   varchar  second visit
--   miles           double   between them, mi
--   tension_from_n  double   left if adjusted, else found, N
--   tension_to_n    double   found, N
--   run_in          boolean  from is the install's left reading
with

states as (select * from history.belt_states),

pairs as (
    select
        belt_id,
        service_id as to_service_id,
        odometer_mi,
        found_n as tension_to_n,
        lag(service_id) over in_order as from_service_id,
        lag(odometer_mi) over in_order as from_odometer_mi,
        lag(
            case
                when is_setting then left_n
                when not is_blind_setting then found_n
            end
        ) over in_order as tension_from_n,
        lag(is_install) over in_order as run_in
    from states
    window in_order as (partition by belt_key order by visit_key)
),

final as (
    select
        belt_id,
        from_service_id,
        to_service_id,
        odometer_mi - from_odometer_mi as miles,
        tension_from_n,
        tension_to_n,
        run_in
    from pairs
    where
        tension_from_n is not null
        and tension_to_n is not null
        and odometer_mi >= from_odometer_mi
)

select * from final
