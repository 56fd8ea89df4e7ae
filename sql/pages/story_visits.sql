-- The visits of the belts whose stories a page can hold: the watchlist's first.
-- grain: one row per visit
-- key:   visit_key
-- columns:
--   visit_key  bigint   stands for service_id
--   belt_id    varchar
--   miles      double   since the fitting, mi; null: unknown age
with

watched as (select * from results.watchlist),
fittings as (select * from history.fittings),
visits as (select * from history.visits),

belts as (
    select
        watched.rank,
        fittings.belt_key,
        fittings.belt_id,
        fittings.fitted_mi
    from watched
    inner join fittings using (belt_id)
),

counted as (
    select
        belts.rank,
        belts.belt_key,
        belts.belt_id,
        belts.fitted_mi,
        count(*) as n
    from belts
    inner join visits using (belt_key)
    group by belts.rank, belts.belt_key, belts.belt_id, belts.fitted_mi
),

reached as (
    select
        *,
        sum(n) over (order by rank rows unbounded preceding) - n as n_before
    from counted
),

-- the page takes whole belts up to so many rows, and a visit has one or more
shown as (
    select *
    from reached
    where n_before < 10000
),

final as (
    select
        visits.visit_key,
        shown.belt_id,
        visits.odometer_mi - shown.fitted_mi as miles
    from shown
    inner join visits using (belt_key)
)

select * from final
