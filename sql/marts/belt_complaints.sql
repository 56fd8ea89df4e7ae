-- The noise complaints about the belts on the watchlist, for their stories.
-- grain: one row per complaint about such a belt
-- key:   complaint_id
-- columns:
--   complaint_id  varchar
--   belt_id       varchar
--   date          date
--   odometer_mi   double   mi
--   noise         varchar
with

complaints as (select * from history.complaint_belts),
watched as (select * from results.watchlist),

final as (
    select
        complaints.complaint_id,
        complaints.belt_id,
        complaints.date,
        complaints.odometer_mi,
        complaints.noise
    from complaints
    inner join watched using (belt_id)
)

select * from final
