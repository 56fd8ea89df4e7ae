-- How each running belt was last set, and what was read of it since.
-- grain: one row per running belt with a reading
-- key:   belt_id
-- partition: vehicle_id
-- columns:
--   belt_id             varchar
--   last_service_id     varchar  last record with a reading
--   set_date            date     null: no setting in the records
--   set_technician_id   varchar
--   set_gauge_id        varchar
--   shown_share         double   shown reading / minimum of the range said applied
--   true_share          double   corrected tension / minimum of the range that applied
--   last_gauge_id       varchar  gauge of the last reading
--   last_correction     double   factor on it
--   is_set_at_install   boolean
--   is_run_in_checked   boolean  the recheck after run-in was done
--   is_wrong_range      boolean  set to the other state's range
--   found_date          date     date of the last reading, where only found
--   found_share         double   that tension / its minimum
with

readings as (select * from history.readings),
visits as (select * from history.visits),
belt_visits as (select * from history.belt_visits),
fittings as (select * from history.fittings),
ranges as (select * from history.ranges),

used as (
    select
        readings.service_id,
        readings.phase,
        readings.belt_id,
        readings.shown_n,
        readings.tension_n,
        readings.correction,
        readings.spec_min_n,
        visits.date,
        visits.technician_id,
        visits.gauge_id,
        visits.action = 'install' as is_install,
        coalesce(visits.spec_applied <> readings.belt_state, false) as is_wrong_range,
        coalesce(applied.spec_min_n, readings.spec_min_n) as applied_min_n,
        row_number() over (
            partition by readings.belt_id
            order by
                readings.visit_no desc,
                case readings.phase when 'left' then 0 else 1 end
        ) as from_last,
        row_number() over (
            partition by readings.belt_id
            order by
                case readings.phase when 'left' then 0 else 1 end,
                readings.visit_no desc
        ) as setting_from_last
    from readings
    inner join visits using (service_id)
    left join ranges as applied
        on
            readings.drive_id = applied.drive_id
            and visits.spec_applied = applied.belt_state
    where readings.is_used and readings.tension_n is not null
),

rechecks as (
    select
        belt_id,
        bool_or(is_run_in_recheck) as is_run_in_checked
    from belt_visits
    group by belt_id
),

settings as (
    select *
    from used
    where setting_from_last = 1 and phase = 'left'
),

final as (
    select
        latest.belt_id,
        latest.service_id as last_service_id,
        settings.date as set_date,
        settings.technician_id as set_technician_id,
        settings.gauge_id as set_gauge_id,
        settings.shown_n / settings.applied_min_n as shown_share,
        settings.tension_n / settings.spec_min_n as true_share,
        latest.gauge_id as last_gauge_id,
        latest.correction as last_correction,
        coalesce(settings.is_install, false) as is_set_at_install,
        rechecks.is_run_in_checked,
        coalesce(settings.is_wrong_range, false) as is_wrong_range,
        case when latest.phase = 'found' then latest.date end as found_date,
        case when latest.phase = 'found' then latest.tension_n / latest.spec_min_n end
            as found_share
    from used as latest
    inner join fittings using (belt_id)
    inner join rechecks using (belt_id)
    left join settings using (belt_id)
    where latest.from_last = 1 and fittings.is_running
)

select * from final
