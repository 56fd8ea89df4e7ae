-- Sums over belts from which rates of accessory repairs follow; none without repairs.
-- grain: one row per model, band and fault
-- key:   model, band, fault
-- columns:
--   model            varchar
--   band             varchar
--   fault            varchar  bearing or other
--   n                bigint   belts
--   events           bigint   repairs
--   miles            bigint   whole miles
--   events_squared   bigint   sum over belts of their repairs squared
--   events_miles     bigint   sum of repairs times miles
--   miles_squared    double   sum of miles squared
with

belt_miles as (select * from marts.belt_miles),
repairs as (select * from staging.repairs),
recorded as (select count(*) as n from repairs),

long as (
    select
        model,
        band,
        'bearing' as fault,
        bearing as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'other' as fault,
        no_bearing as events,
        cast(miles as bigint) as miles
    from belt_miles
),

final as (
    select
        long.model,
        long.band,
        long.fault,
        count(*) as n,
        cast(sum(long.events) as bigint) as events,
        cast(sum(long.miles) as bigint) as miles,
        cast(sum(long.events * long.events) as bigint) as events_squared,
        cast(sum(long.events * long.miles) as bigint) as events_miles,
        cast(sum(long.miles * long.miles) as double) as miles_squared
    from long
    inner join recorded on recorded.n > 0
    group by long.model, long.band, long.fault
)

select * from final
