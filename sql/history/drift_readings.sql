-- The visits of every belt as the drift filter reads them, in no order.
-- kind:  view
-- grain: one row per visit with a tension, or that changed it unread
-- key:   belt_no, visit_no
-- columns:
--   belt_no           bigint   0, 1, …
--   belt_id           varchar
--   model_no          bigint   0, 1, …
--   model             varchar
--   visit_no          bigint
--   odometer_mi       double   mi
--   is_before_run_in  boolean  the install, or a recheck before the engine had run
--   is_refit          boolean  the belt was taken off and put back
--   found_log         double   natural log of the found tension, N
--   found_n           bigint   readings in it
--   left_log          double   natural log of the left tension, N
--   left_n            bigint   readings in it
--   resets            boolean  the tension was changed here
--   u_corr            double   relative uncertainty of the gauge's correction, lasting
--   u_apart           double   the same, where it errs anew at each reading
--   is_hot            boolean
--   duty_no           integer  0 not known, 1 urban, 2 mixed, 3 highway
--   set_level         double   log of left tension to the middle of its range
--   gauge_id          varchar
--   cell              varchar  gauge and span that share an assumed correction
with

states as (select * from history.belt_states),
belts as (select * from history.drift_belts),
ranges as (select * from history.ranges),

joined as (
    select
        belts.belt_no,
        belts.belt_id,
        belts.model_no,
        belts.model,
        states.visit_no,
        states.odometer_mi,
        states.is_before_run_in,
        states.is_refit,
        ln(states.found_n) as found_log,
        case when states.found_n is not null then states.n_averaged end as found_n,
        ln(states.left_n) as left_log,
        case when states.left_n is not null then states.n_averaged end as left_n,
        states.is_setting or states.is_blind_setting as resets,
        case when states.errs_apart then 0e0 else coalesce(states.u_corr, 0e0) end
            as u_corr,
        case when states.errs_apart then states.u_corr else 0e0 end as u_apart,
        states.is_hot,
        belts.duty_no,
        ln(states.left_n * 2e0 / (ranges.spec_min_n + ranges.spec_max_n))
            as set_level,
        states.gauge_id,
        case
            when states.errs_alike
                then
                    states.gauge_id || ' at '
                    || cast(cast(floor(states.span_mm + 0.5e0) as bigint) as varchar)
                    || ' mm'
        end as cell
    from states
    inner join belts using (belt_key)
    left join ranges
        on
            belts.drive_id = ranges.drive_id
            and ranges.belt_state
            = case when states.is_before_run_in then 'new' else 'used' end
),

final as (
    select
        belt_no,
        belt_id,
        model_no,
        model,
        visit_no,
        odometer_mi,
        is_before_run_in,
        is_refit,
        found_log,
        found_n,
        left_log,
        left_n,
        resets,
        u_corr,
        u_apart,
        is_hot,
        duty_no,
        set_level,
        gauge_id,
        cell
    from joined
)

select * from final
