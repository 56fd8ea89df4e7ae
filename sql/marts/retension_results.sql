-- What each technician's retensions changed: found, left, and how long it took.
-- grain: one row per technician with a retension read before and after
-- key:   technician_id
-- columns:
--   technician_id    varchar
--   n                bigint   retensions read before and after
--   found_under      bigint   found under the range
--   left_under       bigint   left under it
--   under_to_under   bigint   found under and left under
--   moved_from_in    bigint   found in range, and set all the same
--   n_timed          bigint   with the minutes recorded
--   median_minutes   double   of them
with

made as (select * from marts.settings_made),

final as (
    select
        technician_id,
        count(*) as n,
        count(*) filter (where found_place < 0e0) as found_under,
        count(*) filter (where left_place < 0e0) as left_under,
        count(*) filter (where found_place < 0e0 and left_place < 0e0)
            as under_to_under,
        count(*) filter (where found_place between 0e0 and 1e0) as moved_from_in,
        count(labour_minutes) as n_timed,
        median(labour_minutes) as median_minutes
    from made
    where
        action = 'retension' and found_place is not null and left_place is not null
    group by technician_id
)

select * from final
