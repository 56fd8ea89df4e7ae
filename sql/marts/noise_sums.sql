-- Sums over belts from which rates, and whether complaints cluster, follow.
-- grain: one row per model, band and noise
-- key:   model, band, noise
-- columns:
--   model            varchar
--   band             varchar
--   noise            varchar  one kind, or all
--   n                bigint   belts
--   events           bigint   complaints
--   miles            bigint   whole miles
--   events_squared   bigint   sum over belts of their complaints squared
--   events_miles     bigint   sum of complaints times miles
--   miles_squared    double   sum of miles squared
with

belt_miles as (select * from marts.belt_miles),

long as (
    select
        model,
        band,
        'all' as noise,
        complaints as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'squeal' as noise,
        squeal as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'chirp' as noise,
        chirp as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'rumble' as noise,
        rumble as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'whine' as noise,
        whine as events,
        cast(miles as bigint) as miles
    from belt_miles
    union all
    select
        model,
        band,
        'other' as noise,
        other as events,
        cast(miles as bigint) as miles
    from belt_miles
),

final as (
    select
        model,
        band,
        noise,
        count(*) as n,
        cast(sum(events) as bigint) as events,
        cast(sum(miles) as bigint) as miles,
        cast(sum(events * events) as bigint) as events_squared,
        cast(sum(events * miles) as bigint) as events_miles,
        cast(sum(miles * miles) as double) as miles_squared
    from long
    group by model, band, noise
)

select * from final
