-- The visits that say something of a belt's tension, inside the complete records.
-- kind:  view
-- grain: one row per visit with a tension, or that changed it unread
-- key:   service_id
-- columns:
--   visit_key          bigint   stands for service_id
--   belt_key           bigint   stands for belt_id
--   vehicle_no         bigint   stands for vehicle_id
--   service_id         varchar
--   drive_id           varchar
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
--   is_frequency       boolean  read by frequency: by the mass of its belt
--   is_hot             boolean
--   gauge_id           varchar
--   span_mm            double   mm
--   errs_alike         boolean  its correction errs alike at every such reading
with

visits as (select * from history.visits),

inside as (
    select
        visit_key,
        belt_key,
        vehicle_no,
        service_id,
        drive_id,
        visit_no,
        date,
        odometer_mi,
        action,
        is_too_early,
        is_setting as was_set,
        is_blind_setting as is_unread,
        found_n,
        left_n,
        coalesce(found_n, left_n) is not null as is_read,
        readings_averaged,
        u_corr,
        correction_source in ('pooled', 'beyond_spans') as is_assumed,
        coalesce(reading_unit = 'Hz', false) as is_frequency,
        belt_temperature,
        gauge_id,
        span_mm
    from visits
    where is_inside
),

final as (
    select
        visit_key,
        belt_key,
        vehicle_no,
        service_id,
        drive_id,
        visit_no,
        date,
        odometer_mi,
        action = 'install' as is_install,
        action = 'install' or is_too_early as is_before_run_in,
        action = 'refit' as is_refit,
        left_n is not null as is_setting,
        is_unread or (was_set and left_n is null) as is_blind_setting,
        found_n,
        left_n,
        readings_averaged as n_averaged,
        case when is_read then u_corr end as u_corr,
        is_read
        and (is_assumed or is_frequency) as errs_apart,
        is_read and is_frequency as is_frequency,
        coalesce(belt_temperature = 'hot', false) as is_hot,
        gauge_id,
        span_mm,
        is_read
        and is_assumed
        and not is_frequency
        and gauge_id is not null
        and span_mm is not null as errs_alike
    from inside
    where is_read or is_unread or was_set
)

select * from final
