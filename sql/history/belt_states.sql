-- The visits that say something of a belt's tension, inside the complete records.
-- grain: one row per visit with a tension, or that changed it unread
-- key:   service_id
-- partition: vehicle_id
-- columns:
--   service_id         varchar
--   belt_id            varchar
--   visit_no           bigint
--   date               date
--   odometer_mi        double   mi
--   is_install         boolean
--   is_before_run_in   boolean  the install, or a recheck before the engine had run
--   is_refit           boolean
--   is_setting         boolean  the tension was set and the reading kept
--   is_blind_setting   boolean  the tension was changed and no reading kept
--   found_n            double   corrected tension as found, N
--   left_n             double   corrected tension as left, N; null: not set
--   n_averaged         bigint   readings in each mean
--   u_corr             double   relative uncertainty of the gauge's correction
--   errs_apart         boolean  it errs anew at each reading: no gauge stands for it
--   is_hot             boolean
--   gauge_id           varchar
--   span_mm            double   mm
--   errs_alike         boolean  its correction errs alike at every such reading
with

visits as (select * from history.visits),
belt_visits as (select * from history.belt_visits),
readings as (select * from history.readings),

tensions as (
    select
        service_id,
        max(tension_n) filter (where phase = 'found') as found_n,
        max(tension_n) filter (where phase = 'left') as left_n,
        max(u_corr) as u_corr,
        bool_or(
            correction_source in ('pooled', 'beyond_spans')
            or coalesce(unit = 'Hz', false)
        ) as errs_apart,
        bool_and(
            correction_source in ('pooled', 'beyond_spans')
            and not coalesce(unit = 'Hz', false)
        ) as errs_alike
    from readings
    where is_used and tension_n is not null
    group by service_id
),

final as (
    select
        visits.service_id,
        visits.belt_id,
        visits.visit_no,
        visits.date,
        visits.odometer_mi,
        visits.action = 'install' as is_install,
        visits.action = 'install' or visits.is_too_early as is_before_run_in,
        visits.action = 'refit' as is_refit,
        tensions.left_n is not null as is_setting,
        visits.is_blind_setting
        or (visits.is_setting and tensions.left_n is null) as is_blind_setting,
        tensions.found_n,
        tensions.left_n,
        visits.readings_averaged as n_averaged,
        tensions.u_corr,
        coalesce(tensions.errs_apart, false) as errs_apart,
        coalesce(visits.belt_temperature = 'hot', false) as is_hot,
        visits.gauge_id,
        visits.span_mm,
        coalesce(tensions.errs_alike, false)
        and visits.gauge_id is not null
        and visits.span_mm is not null as errs_alike
    from visits
    inner join belt_visits using (service_id)
    left join tensions using (service_id)
    where
        belt_visits.is_inside
        and (
            tensions.service_id is not null
            or visits.is_blind_setting
            or visits.is_setting
        )
)

select * from final
