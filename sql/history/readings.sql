-- Every reading in the records with its gauge's correction and the range that applied.
-- grain: one row per reading
-- key:   service_id, phase
-- partition: vehicle_id
-- columns:
--   service_id         varchar
--   phase              varchar  found or left
--   belt_id            varchar
--   visit_no           bigint
--   is_used            boolean  by the contract, and in line; else noted
--   is_out_of_line     boolean  far from its neighbours and its range: a slip
--   is_new             boolean  held to the new range
--   drive_id           varchar
--   shop               varchar
--   technician_id      varchar
--   gauge_id           varchar
--   span_mm            double   mm
--   reading            double   as shown
--   unit               varchar  null: not known, no tension
--   n_averaged         bigint
--   shown_n            double   the reading in newtons, uncorrected
--   correction         double   factor on the reading, on its date
--   correction_source  varchar
--   tension_n          double   corrected, N; null where it cannot be told
--   u_corr             double   relative standard uncertainty of the correction
--   u_reading          double   of one reading; null: the fleet's field reading sd
--   belt_state         varchar  new or used
--   spec_min_n         double   N; null: none published
--   spec_max_n         double   N
--   as_published       varchar  the range as entered
--   why_no_tension     varchar  null where there is one
with

visits as (select * from history.visits),
drives as (select * from staging.drives),
ranges as (select * from history.ranges),
uses as (select * from history.gauge_uses),
corrections as (select * from fitted.corrections),
shifts as (select * from fitted.gauge_shifts),
settings as (select * from typed.settings),

found_and_left as (
    select
        service_id,
        'found' as phase,
        reading_found as reading,
        action in ('recheck', 'inspect', 'retension', 'remove') as is_used,
        is_too_early as is_new
    from visits
    where reading_found is not null
    union all
    select
        service_id,
        'left' as phase,
        reading_left as reading,
        is_setting as is_used,
        action = 'install' or is_too_early as is_new
    from visits
    where reading_left is not null
),

measured as (
    select
        found_and_left.service_id,
        found_and_left.phase,
        found_and_left.reading,
        found_and_left.is_used,
        found_and_left.is_new,
        visits.belt_id,
        visits.visit_no,
        visits.drive_id,
        visits.date,
        visits.shop,
        visits.technician_id,
        visits.gauge_id,
        visits.span_mm,
        visits.reading_unit as unit,
        visits.readings_averaged as n_averaged,
        coalesce(visits.reading_unit = 'Hz', false) as is_frequency,
        case visits.reading_unit
            when 'N' then found_and_left.reading
            when 'lbf' then found_and_left.reading * 4.4482216152605e0
            when 'kgf' then found_and_left.reading * 9.80665e0
            when 'Hz'
                then
                    4e0 * drives.belt_mass_kg_per_m
                    * power(visits.span_mm / 1e3 * found_and_left.reading, 2)
        end as shown_n,
        case
            when visits.reading_unit is null then 'no unit recorded'
            when visits.reading_unit = 'Hz' and drives.belt_mass_kg_per_m is null
                then 'a reading in Hz needs the mass of the belt in drives'
            when visits.reading_unit = 'Hz' and visits.span_mm is null
                then 'a reading in Hz needs the span'
        end as why_no_tension
    from found_and_left
    inner join visits using (service_id)
    left join drives using (drive_id)
),

-- how far a gauge that changed was from the mean of its calibrations, on the date
dated as (
    select
        measured.service_id,
        measured.phase,
        shifts.shift_from,
        shifts.shift_to,
        shifts.u_shift,
        shifts.u_moment,
        shifts.u_per_day,
        coalesce(
            cast(date_diff('day', shifts.from_date, measured.date) as double)
            / nullif(date_diff('day', shifts.from_date, shifts.to_date), 0), 0e0
        ) as way,
        case
            when shifts.from_date is null
                then date_diff('day', measured.date, shifts.to_date)
            when shifts.to_date is null
                then date_diff('day', shifts.from_date, measured.date)
            else 0
        end as days_beyond
    from measured
    inner join shifts
        on
            measured.gauge_id = shifts.gauge_id
            and (shifts.from_date is null or measured.date >= shifts.from_date)
            and (shifts.to_date is null or measured.date < shifts.to_date)
    where not measured.is_frequency
),

shifted as (
    select
        service_id,
        phase,
        shift_from + way * (shift_to - shift_from) as log_shift,
        power(u_shift, 2)
        + way * (1e0 - way) * power(u_moment, 2)
        + power(days_beyond * u_per_day, 2) as shift_var
    from dated
),

corrected as (
    select
        measured.service_id,
        measured.phase,
        measured.belt_id,
        measured.visit_no,
        measured.is_used,
        measured.is_new,
        measured.drive_id,
        measured.shop,
        measured.technician_id,
        measured.gauge_id,
        measured.span_mm,
        measured.reading,
        measured.unit,
        measured.n_averaged,
        measured.shown_n,
        case
            when measured.is_frequency then 1e0
            else corrections.correction * exp(-coalesce(shifted.log_shift, 0e0))
        end as correction,
        case
            when measured.is_frequency then 'none'
            else corrections.correction_source
        end as correction_source,
        case
            when measured.is_frequency
                then
                    sqrt(
                        4e0 * power(settings.vibration_span_u, 2)
                        + power(settings.vibration_mass_u, 2)
                    )
            else
                sqrt(
                    power(corrections.u_corr, 2) + coalesce(shifted.shift_var, 0e0)
                )
        end as u_corr,
        case
            when measured.is_frequency then 2e0 * settings.vibration_frequency_u
        end as u_reading,
        case when measured.is_new then 'new' else 'used' end as belt_state,
        measured.why_no_tension
    from measured
    inner join settings on true
    inner join uses
        on
            measured.shop = uses.shop
            and coalesce(measured.gauge_id, '') = coalesce(uses.gauge_id, '')
            and coalesce(measured.span_mm, -1e0) = coalesce(uses.span_mm, -1e0)
    inner join corrections using (use_no)
    left join shifted
        on
            measured.service_id = shifted.service_id
            and measured.phase = shifted.phase
),

held as (
    select
        corrected.service_id,
        corrected.phase,
        corrected.belt_id,
        corrected.visit_no,
        corrected.is_used,
        corrected.is_new,
        corrected.drive_id,
        corrected.shop,
        corrected.technician_id,
        corrected.gauge_id,
        corrected.span_mm,
        corrected.reading,
        corrected.unit,
        corrected.n_averaged,
        corrected.shown_n,
        corrected.correction,
        corrected.correction_source,
        corrected.shown_n * corrected.correction as tension_n,
        corrected.u_corr,
        corrected.u_reading,
        corrected.belt_state,
        ranges.spec_min_n,
        ranges.spec_max_n,
        ranges.as_published,
        corrected.why_no_tension,
        ln(
            corrected.shown_n
            / coalesce((ranges.spec_min_n + ranges.spec_max_n) / 2e0, 1e0)
        ) as height
    from corrected
    left join ranges using (drive_id, belt_state)
),

visit_heights as (
    select
        belt_id,
        visit_no,
        (min(height) + max(height)) / 2e0 as height
    from held
    where height is not null
    group by belt_id, visit_no
),

neighbours as (
    select
        belt_id,
        visit_no,
        lag(height) over in_order as height_before,
        lead(height) over in_order as height_after
    from visit_heights
    window in_order as (partition by belt_id order by visit_no)
),

beside as (
    select
        held.*,
        case when held.spec_min_n is not null then held.height end as above_range,
        held.height - neighbours.height_before as above_before,
        held.height - neighbours.height_after as above_after
    from held
    left join neighbours
        on
            held.belt_id = neighbours.belt_id
            and held.visit_no = neighbours.visit_no
),

-- a slip stands 2.5 times above the visits beside it, or 1/4.45 or 1/9.81 of them,
-- and is itself twice or half the middle of its range
judged as (
    select
        *,
        coalesce(
            (spec_min_n is null or abs(height) > ln(2e0))
            and coalesce(above_before, above_after, above_range) > ln(2.5e0)
            and coalesce(above_after, above_before, above_range) > ln(2.5e0),
            false
        )
        or coalesce(
            (spec_min_n is null or abs(height) > ln(2e0))
            and (
                (
                    abs(coalesce(above_before, above_after) + ln(4.45e0)) < ln(1.25e0)
                    and abs(coalesce(above_after, above_before) + ln(4.45e0))
                    < ln(1.25e0)
                )
                or (
                    abs(coalesce(above_before, above_after) + ln(9.81e0)) < ln(1.25e0)
                    and abs(coalesce(above_after, above_before) + ln(9.81e0))
                    < ln(1.25e0)
                )
            ),
            false
        ) as is_out_of_line
    from beside
),

final as (
    select
        service_id,
        phase,
        belt_id,
        visit_no,
        is_used and not is_out_of_line as is_used,
        is_out_of_line,
        is_new,
        drive_id,
        shop,
        technician_id,
        gauge_id,
        span_mm,
        reading,
        unit,
        n_averaged,
        shown_n,
        correction,
        correction_source,
        tension_n,
        u_corr,
        u_reading,
        belt_state,
        spec_min_n,
        spec_max_n,
        as_published,
        why_no_tension
    from judged
)

select * from final
