-- The tension each belt was left with at its install, with its place in the records.
-- grain: one row per belt with an install tension
-- key:   belt_id
-- columns:
--   belt_id        varchar
--   depot          varchar
--   model          varchar
--   duty           varchar
--   shop           varchar  of the reading
--   gauge_id       varchar  of the reading
--   technician_id  varchar  of the reading
--   install_date   date
--   tension_n      double   N
--   correction     double   factor on the reading
--   spec_min_n     double   lower limit it is held to, N; null: none published
--   relative       double   0 at the minimum, 1 at the maximum
--   p_under        double
--   band           varchar
--   basis          varchar  recheck or install
with

belts as (select * from results.belts),
fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),
tension_readings as (select * from results.tension_readings),
visits as (select * from history.visits),

installs as (
    select
        fittings.belt_id,
        visits.service_id,
        visits.shop,
        visits.gauge_id,
        visits.technician_id,
        visits.correction,
        case when visits.left_n is not null then 'left' else 'found' end as phase,
        coalesce(visits.left_n, visits.found_n) as tension_n,
        case
            when visits.left_n is not null then visits.left_min_n
            else visits.found_min_n
        end as spec_min_n,
        case
            when visits.left_n is not null then visits.left_max_n
            else visits.found_max_n
        end as spec_max_n
    from visits
    inner join fittings on visits.visit_key = fittings.install_read_key
),

final as (
    select
        installs.belt_id,
        vehicles.depot,
        vehicles.model,
        vehicles.duty,
        installs.shop,
        installs.gauge_id,
        installs.technician_id,
        belts.install_date,
        installs.tension_n,
        installs.correction,
        installs.spec_min_n,
        (installs.tension_n - installs.spec_min_n)
        / nullif(installs.spec_max_n - installs.spec_min_n, 0e0) as relative,
        tension_readings.p_under,
        belts.band,
        belts.install_basis as basis
    from installs
    inner join belts using (belt_id)
    inner join vehicles using (vehicle_id)
    inner join tension_readings
        on
            installs.service_id = tension_readings.service_id
            and installs.phase = tension_readings.phase
)

select * from final
