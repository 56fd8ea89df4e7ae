-- How each running belt was last set, and what was read of it since.
-- grain: one row per running belt with a reading
-- key:   belt_id
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

-- read anew at each place: put aside it is wider than what each reads
visits as not materialized (select * from history.visits),
fittings as (select * from history.fittings),
ranges as (select * from history.ranges),

running as (
    select * from fittings
    where is_running
),

latest as (
    select
        running.belt_id,
        running.last_set_key,
        running.is_run_in_checked,
        visits.service_id,
        visits.date,
        visits.gauge_id,
        visits.correction,
        visits.left_n,
        visits.found_n,
        visits.found_min_n
    from visits
    inner join running on visits.visit_key = running.last_read_key
),

settings as (
    select
        visits.visit_key,
        visits.date,
        visits.technician_id,
        visits.gauge_id,
        visits.left_shown_n / coalesce(applied.spec_min_n, visits.left_min_n)
            as shown_share,
        visits.left_n / visits.left_min_n as true_share,
        visits.action = 'install' as is_install,
        coalesce(
            visits.spec_applied
            <> case
                when visits.is_too_early or visits.action = 'install' then 'new'
                else 'used'
            end,
            false
        ) as is_wrong_range
    from visits
    inner join running on visits.visit_key = running.last_set_key
    left join ranges as applied
        on
            visits.drive_id = applied.drive_id
            and visits.spec_applied = applied.belt_state
),

final as (
    select
        latest.belt_id,
        latest.service_id as last_service_id,
        settings.date as set_date,
        settings.technician_id as set_technician_id,
        settings.gauge_id as set_gauge_id,
        settings.shown_share,
        settings.true_share,
        latest.gauge_id as last_gauge_id,
        latest.correction as last_correction,
        coalesce(settings.is_install, false) as is_set_at_install,
        latest.is_run_in_checked,
        coalesce(settings.is_wrong_range, false) as is_wrong_range,
        case when latest.left_n is null then latest.date end as found_date,
        case when latest.left_n is null then latest.found_n / latest.found_min_n end
            as found_share
    from latest
    left join settings on latest.last_set_key = settings.visit_key
)

select * from final
