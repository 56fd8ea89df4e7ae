-- The order of the visits to each vehicle and drive, and what it says of each visit.
-- kind:  view
-- grain: one row per service record up to as-of
-- key:   file_id, line
-- columns:
--   file_id            integer
--   line               bigint
--   visit_no           bigint   place in the order of this vehicle and drive
--   fitting_no         bigint   installs on this drive so far; 0: before the first
--   is_last            boolean  the belt's last visit
--   installed_mi       double   odometer of the belt's install, mi; null: not recorded
--   is_first_work      boolean  its install is the last work before this visit
--   height_before      double   of the belt's last visit before it with a reading
--   height_after       double   of the belt's next visit with a reading
with

visits as (select * from history.measured_visits),

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

final as (
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
)

select * from final
