-- What each vehicle ran, on belts of which band, and what was heard of them.
-- grain: one row per vehicle and band
-- key:   vehicle_id, band
-- columns:
--   vehicle_id  varchar
--   model       varchar
--   band        varchar
--   miles       bigint   belt miles under observation, whole
--   belts       bigint
--   failures    bigint
--   complaints  bigint
with

belt_miles as (select * from marts.belt_miles),
belts as (select * from results.belts),

final as (
    select
        belt_miles.vehicle_id,
        belt_miles.model,
        belt_miles.band,
        cast(sum(cast(belt_miles.miles as bigint)) as bigint) as miles,
        count(*) as belts,
        count(*) filter (where belts.end_kind = 'failed') as failures,
        cast(sum(belt_miles.complaints) as bigint) as complaints
    from belt_miles
    inner join belts using (belt_id)
    group by belt_miles.vehicle_id, belt_miles.model, belt_miles.band
)

select * from final
