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
fittings as (select * from history.fittings),

pairs as (
    select
        belt_key,
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
        fittings.belt_id,
        pairs.from_service_id,
        pairs.to_service_id,
        pairs.odometer_mi - pairs.from_odometer_mi as miles,
        pairs.tension_from_n,
        pairs.tension_to_n,
        pairs.run_in
    from pairs
    inner join fittings using (belt_key)
    where
        pairs.tension_from_n is not null
        and pairs.tension_to_n is not null
        and pairs.odometer_mi >= pairs.from_odometer_mi
)

select * from final
