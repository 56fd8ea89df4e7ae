-- The visits of every belt as the drift filter reads them, in no order.
-- kind:  view
-- grain: one row per visit with a tension, or that changed it unread
-- key:   visit_key
-- columns:
--   visit_key         bigint   rises from belt to belt, and along each
--   belt_key          bigint   stands for belt_id
--   visit_no          bigint
--   odometer_mi       double   mi
--   is_before_run_in  boolean  the install, or a recheck before the engine had run
--   is_refit          boolean  the belt was taken off and put back
--   found_log         double   natural log of the found tension, N
--   left_log          double   natural log of the left tension, N
--   n_averaged        bigint   readings in each
--   resets            boolean  the tension was changed here
--   u_corr            double   relative uncertainty of the gauge's correction, lasting
--   u_apart           double   the same, where it errs anew at each reading
--   is_frequency      boolean  read by frequency: by the mass of its belt
--   is_hot            boolean
--   set_level         double   log of left tension to the middle of its range
--   gauge_id          varchar
--   cell_mm           double   span, where its gauge's correction errs alike there
with

states as (select * from history.belt_states),
ranges as (select * from history.ranges),

final as (
    select
        states.visit_key,
        states.belt_key,
        states.visit_no,
        states.odometer_mi,
        states.is_before_run_in,
        states.is_refit,
        ln(states.found_n) as found_log,
        ln(states.left_n) as left_log,
        states.n_averaged,
        states.is_setting or states.is_blind_setting as resets,
        case when states.errs_apart then 0e0 else coalesce(states.u_corr, 0e0) end
            as u_corr,
        case when states.errs_apart then states.u_corr else 0e0 end as u_apart,
        states.is_frequency,
        states.is_hot,
        ln(states.left_n * 2e0 / (ranges.spec_min_n + ranges.spec_max_n))
            as set_level,
        states.gauge_id,
        case when states.errs_alike then floor(states.span_mm + 0.5e0) end as cell_mm
    from states
    left join ranges
        on
            states.drive_id = ranges.drive_id
            and ranges.belt_state
            = case when states.is_before_run_in then 'new' else 'used' end
)

select * from final
