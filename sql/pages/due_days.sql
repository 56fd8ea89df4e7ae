-- How many running belts fall due for retension on each day.
-- grain: one row per day, and one for the belts that have none
-- key:   due_date
-- columns:
--   due_date  date    null: not known, or not within the miles foretold
--   n         bigint  belts
--   n_untold  bigint  of them: no reading or range tells whether it is under now
with

belts as (select * from results.drift_by_belt),

final as (
    select
        retension_due_date as due_date,
        count(*) as n,
        count(*) filter (where p_under_now is null) as n_untold
    from belts
    group by retension_due_date
)

select * from final
