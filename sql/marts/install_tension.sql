-- The tension each belt was left with at its install, with its place in the records.
-- grain: one row per belt with an install tension
-- key:   belt_id
-- columns:
--   belt_id        varchar
--   vehicle_id     varchar
--   depot          varchar
--   model          varchar
--   duty           varchar
--   shop           varchar  of the reading
--   gauge_id       varchar  of the reading
--   technician_id  varchar  of the reading
--   install_date   date
--   tension_n      double   N
--   tension_u_n    double   standard uncertainty, N
--   correction     double   factor on the reading
--   spec_min_n     double   of the range it is held to, N; null: none published
--   spec_max_n     double   N
--   relative       double   0 at the minimum, 1 at the maximum
--   p_under        double
--   band           varchar
--   basis          varchar  recheck or install
--   service_id     varchar  record of the reading
--   file           varchar
--   line           bigint
with

belts as (select * from results.belts),
vehicles as (select * from staging.vehicles),
install_tensions as (select * from history.install_tensions),
tension_readings as (select * from results.tension_readings),
visits as (select * from history.visits),
files as (select * from raw.files),

final as (
    select
        belts.belt_id,
        belts.vehicle_id,
        vehicles.depot,
        vehicles.model,
        vehicles.duty,
        visits.shop,
        visits.gauge_id,
        visits.technician_id,
        belts.install_date,
        tension_readings.tension_n,
        tension_readings.tension_u_n,
        tension_readings.correction,
        tension_readings.spec_min_n,
        tension_readings.spec_max_n,
        (tension_readings.tension_n - tension_readings.spec_min_n)
        / nullif(tension_readings.spec_max_n - tension_readings.spec_min_n, 0e0)
            as relative,
        tension_readings.p_under,
        belts.band,
        install_tensions.basis,
        visits.service_id,
        files.file,
        visits.line
    from belts
    inner join install_tensions using (belt_id)
    inner join tension_readings
        on
            install_tensions.service_id = tension_readings.service_id
            and install_tensions.phase = tension_readings.phase
    inner join visits on install_tensions.visit_key = visits.visit_key
    inner join vehicles on belts.vehicle_id = vehicles.vehicle_id
    inner join files on visits.file_id = files.file_id
)

select * from final
