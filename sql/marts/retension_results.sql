-- What each technician did with belts found under and in range, and how long it took.
-- grain: one row per technician who read a belt as found
-- key:   technician_id
-- columns:
--   technician_id    varchar
--   n                bigint   retensions read before and after
--   found_under      bigint   of them found under the range
--   left_under       bigint   left under it
--   under_to_under   bigint   found under and left under
--   found_place      double   median place in the range: 0 its minimum, 1 its maximum
--   left_place       double
--   seen_in          bigint   belts found in range at an inspection or a retension
--   moved_in         bigint   of them set all the same
--   n_timed          bigint   retensions with the minutes recorded
--   median_minutes   double   of them
with

visits as (select * from history.visits),
made as (select * from marts.settings_made),

seen as (
    select
        technician_id,
        is_setting or is_blind_setting as is_moved
    from visits
    where
        action in ('inspect', 'retension')
        and found_n between found_min_n and found_max_n
),

in_range as (
    select
        technician_id,
        count(*) as seen_in,
        count(*) filter (where is_moved) as moved_in
    from seen
    group by technician_id
),

set_again as (
    select
        technician_id,
        count(*) as n,
        count(*) filter (where found_place < 0e0) as found_under,
        count(*) filter (where left_place < 0e0) as left_under,
        count(*) filter (where found_place < 0e0 and left_place < 0e0)
            as under_to_under,
        median(found_place) as found_place,
        median(left_place) as left_place,
        count(labour_minutes) as n_timed,
        median(labour_minutes) as median_minutes
    from made
    where
        action = 'retension' and found_place is not null and left_place is not null
    group by technician_id
),

everyone as (
    select technician_id from in_range
    union
    select technician_id from set_again
),

final as (
    select
        everyone.technician_id,
        coalesce(set_again.n, 0) as n,
        coalesce(set_again.found_under, 0) as found_under,
        coalesce(set_again.left_under, 0) as left_under,
        coalesce(set_again.under_to_under, 0) as under_to_under,
        set_again.found_place,
        set_again.left_place,
        coalesce(in_range.seen_in, 0) as seen_in,
        coalesce(in_range.moved_in, 0) as moved_in,
        coalesce(set_again.n_timed, 0) as n_timed,
        set_again.median_minutes
    from everyone
    left join set_again on everyone.technician_id = set_again.technician_id
    left join in_range on everyone.technician_id = in_range.technician_id
)

select * from final
