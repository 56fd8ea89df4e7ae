-- Every visit of the belts whose stories a page can hold, reading by reading.
-- grain: one row per reading, or per visit without one
-- key:   service_id, phase
-- columns:
--   belt_id            varchar
--   service_id         varchar
--   date               date
--   odometer_mi        double   mi
--   miles              double   since the fitting, mi; null: unknown age
--   action             varchar
--   phase              varchar  found or left; null: no reading
--   reading            double   as shown
--   unit               varchar
--   gauge_id           varchar
--   span_mm            double   mm
--   correction         double   factor on the reading
--   correction_source  varchar
--   tension_n          double   N
--   tension_u_n        double   standard uncertainty, N
--   spec_min_n         double   N
--   spec_max_n         double   N
--   as_published       varchar  the range as entered
--   verdict            varchar
--   p_under            double
--   technician_id      varchar
--   shop               varchar
--   file               varchar
--   line               bigint
with

told as (select * from pages.story_visits),
visits as (select * from history.visits),
readings as (select * from history.readings),
ranges as (select * from history.ranges),
tension_readings as (select * from results.tension_readings),
files as (select * from raw.files),

asked as (
    select visits.service_id
    from visits
    semi join told using (visit_key)
),

-- few: a left join would hold every reading to find them
judged as (
    select tension_readings.*
    from tension_readings
    semi join asked using (service_id)
),

final as (
    select
        told.belt_id,
        visits.service_id,
        visits.date,
        visits.odometer_mi,
        told.miles,
        visits.action,
        readings.phase,
        readings.reading,
        readings.unit,
        visits.gauge_id,
        visits.span_mm,
        readings.correction,
        readings.correction_source,
        readings.tension_n,
        judged.tension_u_n,
        readings.spec_min_n,
        readings.spec_max_n,
        ranges.as_published,
        judged.verdict,
        judged.p_under,
        visits.technician_id,
        visits.shop,
        files.file,
        visits.line
    from told
    inner join visits using (visit_key)
    inner join files on visits.file_id = files.file_id
    left join readings on told.visit_key = readings.visit_key
    left join ranges
        on
            readings.drive_id = ranges.drive_id
            and readings.belt_state = ranges.belt_state
    left join judged
        on
            readings.service_id = judged.service_id
            and readings.phase = judged.phase
)

select * from final
