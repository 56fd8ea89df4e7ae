-- Every reading in the records with its gauge's correction and the range that applied.
-- kind:  view
-- grain: one row per reading
-- key:   service_id, phase
-- columns:
--   visit_key          bigint   stands for service_id
--   belt_key           bigint   stands for belt_id
--   vehicle_no         bigint   stands for vehicle_id
--   service_id         varchar
--   phase              varchar  found or left
--   visit_no           bigint
--   date               date
--   action             varchar
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
--   spec_applied       varchar  range the technician set to
--   why_no_tension     varchar  null where there is one
--   file_id            integer
--   line               bigint
with

found as (
    select
        *,
        'found' as phase,
        action in ('recheck', 'inspect', 'retension', 'remove')
        and not is_found_apart as is_used,
        is_found_apart as is_out_of_line,
        is_too_early as is_new,
        case when is_too_early then 'new' else 'used' end as belt_state,
        reading_found as reading,
        found_shown_n as shown_n,
        found_min_n as spec_min_n,
        found_max_n as spec_max_n
    from history.visits
    where reading_found is not null
),

left_ as (
    select
        *,
        'left' as phase,
        is_setting and not is_left_apart as is_used,
        is_left_apart as is_out_of_line,
        is_too_early or action = 'install' as is_new,
        case when is_too_early or action = 'install' then 'new' else 'used' end
            as belt_state,
        reading_left as reading,
        left_shown_n as shown_n,
        left_min_n as spec_min_n,
        left_max_n as spec_max_n
    from history.visits
    where reading_left is not null
),

readings as (
    select * from found
    union all
    select * from left_
),

-- one row a key by its form: left out where a reader does not ask for it
final as (
    select
        visit_key,
        belt_key,
        vehicle_no,
        service_id,
        phase,
        visit_no,
        date,
        action,
        is_used,
        is_out_of_line,
        is_new,
        drive_id,
        shop,
        technician_id,
        gauge_id,
        span_mm,
        reading,
        reading_unit as unit,
        readings_averaged as n_averaged,
        shown_n,
        correction,
        correction_source,
        shown_n * correction as tension_n,
        u_corr,
        u_reading,
        belt_state,
        spec_min_n,
        spec_max_n,
        spec_applied,
        why_no_tension,
        file_id,
        line
    from readings
)

select * from final
