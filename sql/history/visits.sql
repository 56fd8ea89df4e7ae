-- Every visit up to as-of: its order and belt, its readings' correction and range.
-- grain: one row per service record up to as-of
-- key:   service_id
-- columns:
--   visit_key          bigint   stands for service_id; in visit order within a drive
--   belt_key           bigint   stands for belt_id; in the order of the fittings
--   vehicle_no         bigint   stands for vehicle_id
--   service_id         varchar
--   drive_id           varchar  the belt's drive
--   fitting_no         bigint   installs on this drive so far; 0: before the first
--   visit_no           bigint   place in the order of this vehicle and drive
--   date               date
--   odometer_mi        double   mi
--   action             varchar
--   shop               varchar
--   technician_id      varchar
--   gauge_id           varchar
--   span_mm            double   mm
--   reading_found      double   as shown, in its unit
--   reading_left       double   as shown, in its unit
--   reading_unit       varchar  as recorded, else the gauge's own
--   readings_averaged  bigint
--   spec_applied       varchar
--   removal_reason     varchar
--   belt_temperature   varchar
--   labour_minutes     double
--   is_too_early       boolean  a recheck before the engine had run long enough
--   is_setting         boolean  the tension was set and the reading kept
--   is_blind_setting   boolean  the tension was changed and no reading kept
--   is_run_in_recheck  boolean  the first recheck after the install that counts
--   is_inside          boolean  on or after the day the records are complete from
--   is_last            boolean  the belt's last visit
--   found_shown_n      double   the found reading in newtons, uncorrected
--   left_shown_n       double   the left reading in newtons, uncorrected
--   found_n            double   corrected tension as found, N; null: not to be used
--   left_n             double   corrected tension as left, N; null: not set or not so
--   is_found_apart     boolean  far from its neighbours and its range: a slip
--   is_left_apart      boolean  the same of the left reading
--   found_min_n        double   range of the found reading, N; null: none published
--   found_max_n        double   N
--   left_min_n         double   range of the left reading, N; null: none published
--   left_max_n         double   N
--   correction         double   factor on its readings, on its date
--   correction_source  varchar  null: no reading
--   u_corr             double   relative standard uncertainty of the correction
--   u_reading          double   of one reading; null: the fleet's field reading sd
--   why_no_tension     varchar  null where a reading gives one
--   file_id            integer
--   line               bigint
with

-- worked out twice, which is less than putting all of it aside
visits as not materialized (select * from history.measured_visits),
uses as (select * from history.gauge_uses),
corrections as (select * from fitted.corrections),
shifts as (select * from fitted.gauge_shifts),
drives as (select * from history.drive_numbers),
settings as (select * from typed.settings),

steps as (
    select
        file_id,
        line,
        place_key,
        date,
        odometer_mi,
        case action
            when 'inspect' then 1
            when 'retension' then 2
            when 'remove' then 3
            when 'install' then 4
            when 'refit' then 5
            else 6
        end as action_rank,
        service_id,
        action = 'install' as is_install,
        action in ('install', 'retension', 'remove', 'refit')
        or (action = 'recheck' and not is_too_early) as is_work,
        (least(found_height, left_height) + greatest(found_height, left_height)) / 2e0
            as height
    from visits
),

-- one sort for all that looks along a belt; infinity: another belt's from here on
ordered as (
    select
        file_id,
        line,
        is_install,
        row_number() over in_order as visit_no,
        count(*) filter (where is_install) over in_order as fitting_no,
        coalesce(lead(is_install) over in_order, true) as is_last,
        last_value(case when is_install then odometer_mi end ignore nulls)
            over in_order as installed_mi,
        last_value(case when is_work then is_install end ignore nulls)
            over before as is_first_work,
        nullif(
            last_value(
                case when is_install then coalesce(height, 'infinity') else height end
                ignore nulls
            ) over before,
            'infinity'
        ) as height_before,
        nullif(
            first_value(
                case when is_install then cast('infinity' as double) else height end
                ignore nulls
            ) over after,
            'infinity'
        ) as height_after
    from steps
    window
        in_order as (
            partition by place_key
            order by date, odometer_mi, action_rank, service_id
            rows between unbounded preceding and current row
        ),
        before as (
            partition by place_key
            order by date, odometer_mi, action_rank, service_id
            rows between unbounded preceding and 1 preceding
        ),
        after as (
            partition by place_key
            order by date, odometer_mi, action_rank, service_id
            rows between 1 following and unbounded following
        )
),

visit_order as (
    select
        file_id,
        line,
        visit_no,
        fitting_no,
        is_last,
        installed_mi,
        coalesce(is_first_work, false) as is_first_work,
        case when not is_install then height_before end as height_before,
        height_after
    from ordered
),

-- how far a gauge that changed was from the mean of its calibrations, by date
dated as (
    select
        gauge_id,
        from_date,
        to_date,
        coalesce(from_date, cast('-infinity' as date)) as starts,
        coalesce(to_date, cast('infinity' as date)) as ends,
        shift_from,
        shift_to,
        u_shift,
        u_moment,
        u_per_day
    from shifts
),

used as (
    select
        uses.shop,
        coalesce(uses.gauge_id, '') as gauge_id,
        coalesce(uses.span_mm, -1e0) as span_mm,
        corrections.correction,
        corrections.correction_source,
        corrections.u_corr
    from uses
    inner join corrections using (use_no)
),

joined as (
    select
        visits.*,
        drives.drive_id,
        drives.belt_mass_kg_per_m,
        drives.new_min_n,
        drives.new_max_n,
        drives.used_min_n,
        drives.used_max_n,
        visit_order.visit_no,
        visit_order.fitting_no,
        visit_order.is_last,
        visit_order.installed_mi,
        visit_order.is_first_work,
        visit_order.height_before,
        visit_order.height_after,
        coalesce(visits.reading_unit = 'Hz', false) as is_frequency,
        visits.reading_found is not null or visits.reading_left is not null
            as has_reading,
        visits.reading_left is not null
        and visits.action in ('install', 'recheck', 'retension', 'refit') as is_setting,
        used.correction as gauge_correction,
        used.correction_source as gauge_correction_source,
        used.u_corr as gauge_u_corr,
        dated.shift_from,
        dated.shift_to,
        dated.u_shift,
        dated.u_moment,
        dated.u_per_day,
        coalesce(
            cast(date_diff('day', dated.from_date, visits.date) as double)
            / nullif(date_diff('day', dated.from_date, dated.to_date), 0), 0e0
        ) as way,
        case
            when dated.from_date is null
                then date_diff('day', visits.date, dated.to_date)
            when dated.to_date is null
                then date_diff('day', dated.from_date, visits.date)
            else 0
        end as days_beyond
    from visits
    inner join visit_order using (file_id, line)
    inner join drives using (drive_no)
    left join used
        on
            visits.shop = used.shop
            and coalesce(visits.gauge_id, '') = used.gauge_id
            and coalesce(visits.span_mm, -1e0) = used.span_mm
    left join dated
        on
            visits.gauge_id = dated.gauge_id
            and visits.date >= dated.starts
            and visits.date < dated.ends
),

corrected as (
    select
        joined.*,
        case when joined.is_too_early then joined.new_min_n else joined.used_min_n end
            as found_min_n,
        case when joined.is_too_early then joined.new_max_n else joined.used_max_n end
            as found_max_n,
        case
            when joined.is_too_early or joined.action = 'install' then joined.new_min_n
            else joined.used_min_n
        end as left_min_n,
        case
            when joined.is_too_early or joined.action = 'install' then joined.new_max_n
            else joined.used_max_n
        end as left_max_n,
        case
            when not joined.has_reading then null
            when joined.is_frequency then 1e0
            else
                joined.gauge_correction
                * exp(
                    -coalesce(
                        joined.shift_from
                        + joined.way * (joined.shift_to - joined.shift_from),
                        0e0
                    )
                )
        end as correction,
        case
            when not joined.has_reading then null
            when joined.is_frequency then 'none'
            else joined.gauge_correction_source
        end as correction_source,
        case
            when not joined.has_reading then null
            when joined.is_frequency
                then
                    sqrt(
                        4e0 * power(settings.vibration_span_u, 2)
                        + power(settings.vibration_mass_u, 2)
                    )
            else
                sqrt(
                    power(joined.gauge_u_corr, 2)
                    + coalesce(
                        power(joined.u_shift, 2)
                        + joined.way * (1e0 - joined.way) * power(joined.u_moment, 2)
                        + power(joined.days_beyond * joined.u_per_day, 2),
                        0e0
                    )
                )
        end as u_corr,
        case
            when joined.has_reading and joined.is_frequency
                then 2e0 * settings.vibration_frequency_u
        end as u_reading,
        case
            when not joined.has_reading then null
            when joined.reading_unit is null then 'no unit recorded'
            when joined.is_frequency and joined.belt_mass_kg_per_m is null
                then 'a reading in Hz needs the mass of the belt in drives'
            when joined.is_frequency and joined.span_mm is null
                then 'a reading in Hz needs the span'
        end as why_no_tension,
        coalesce(
            joined.date >= settings.records_from, true
        ) as is_inside,
        coalesce(
            joined.action = 'recheck'
            and not joined.is_too_early
            and joined.is_first_work
            and joined.odometer_mi - joined.installed_mi <= settings.run_in_recheck_mi,
            false
        ) as is_run_in_recheck
    from joined
    inner join settings on true
),

beside as (
    select
        *,
        least(found_height - height_before, found_height - height_after)
            as found_over,
        greatest(found_height - height_before, found_height - height_after)
            as found_most_over,
        case when found_min_n is not null then found_height end as found_over_range,
        least(left_height - height_before, left_height - height_after) as left_over,
        greatest(left_height - height_before, left_height - height_after)
            as left_most_over,
        case when left_min_n is not null then left_height end as left_over_range
    from corrected
),

-- a slip stands 2.5 times above the visits beside it, or 1/4.45, 1/9.81 or 1/100 of
-- them (a tenth of the Hz), and is itself twice or half the middle of its range
judged as (
    select
        *,
        coalesce(
            (found_min_n is null or abs(found_height) > ln(2e0))
            and (
                coalesce(found_over, found_over_range) > ln(2.5e0)
                or greatest(
                    abs(found_over + ln(4.45e0)), abs(found_most_over + ln(4.45e0))
                ) < ln(1.25e0)
                or greatest(
                    abs(found_over + ln(9.81e0)), abs(found_most_over + ln(9.81e0))
                ) < ln(1.6e0)
                or greatest(
                    abs(found_over + ln(100e0)), abs(found_most_over + ln(100e0))
                ) < ln(1.6e0)
            ),
            false
        ) as is_found_apart,
        coalesce(
            (left_min_n is null or abs(left_height) > ln(2e0))
            and (
                coalesce(left_over, left_over_range) > ln(2.5e0)
                or greatest(
                    abs(left_over + ln(4.45e0)), abs(left_most_over + ln(4.45e0))
                ) < ln(1.25e0)
                or greatest(
                    abs(left_over + ln(9.81e0)), abs(left_most_over + ln(9.81e0))
                ) < ln(1.6e0)
                or greatest(
                    abs(left_over + ln(100e0)), abs(left_most_over + ln(100e0))
                ) < ln(1.6e0)
            ),
            false
        ) as is_left_apart
    from beside
),

final as (
    select
        place_key + visit_no as visit_key,
        place_key + fitting_no as belt_key,
        vehicle_no,
        service_id,
        drive_id,
        fitting_no,
        visit_no,
        date,
        odometer_mi,
        action,
        shop,
        technician_id,
        gauge_id,
        span_mm,
        reading_found,
        reading_left,
        reading_unit,
        readings_averaged,
        spec_applied,
        removal_reason,
        belt_temperature,
        labour_minutes,
        is_too_early,
        is_setting,
        reading_left is null
        and action in ('install', 'retension', 'refit') as is_blind_setting,
        is_run_in_recheck,
        is_inside,
        is_last,
        found_shown_n,
        left_shown_n,
        case
            when
                action in ('recheck', 'inspect', 'retension', 'remove')
                and not is_found_apart
                then found_shown_n * correction
        end as found_n,
        case when is_setting and not is_left_apart then left_shown_n * correction end
            as left_n,
        is_found_apart,
        is_left_apart,
        found_min_n,
        found_max_n,
        left_min_n,
        left_max_n,
        correction,
        correction_source,
        u_corr,
        u_reading,
        why_no_tension,
        file_id,
        line
    from judged
)

select * from final
