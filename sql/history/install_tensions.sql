-- The reading that says what tension each belt was left with at its install.
-- grain: one row per belt with such a reading
-- key:   belt_id
-- columns:
--   belt_id     varchar
--   service_id  varchar  record of the reading
--   phase       varchar  found or left
--   basis       varchar  recheck or install
with

readings as (select * from history.readings),
belt_visits as (select * from history.belt_visits),
fittings as (select * from history.fittings),

ranked as (
    select
        readings.belt_id,
        readings.service_id,
        readings.phase,
        case when belt_visits.is_run_in_recheck then 'recheck' else 'install' end
            as basis,
        row_number() over (
            partition by readings.belt_id
            order by
                case when belt_visits.is_run_in_recheck then 0 else 1 end,
                case when readings.phase = 'left' then 0 else 1 end
        ) as choice
    from readings
    inner join belt_visits using (service_id)
    inner join fittings on readings.belt_id = fittings.belt_id
    where
        readings.is_used
        and readings.tension_n is not null
        and (
            belt_visits.is_run_in_recheck
            or readings.service_id = fittings.install_service_id
        )
),

final as (
    select
        belt_id,
        service_id,
        phase,
        basis
    from ranked
    where choice = 1
)

select * from final
