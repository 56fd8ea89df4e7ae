-- Where in their range belts were found and left by retensions, counted in steps.
-- grain: one row per phase and step
-- key:   phase, step
-- columns:
--   phase    varchar  found or left
--   step     bigint   0 begins at the minimum; the ends hold all beyond them
--   width    double   of a step, of the range
--   n        bigint
--   n_under  bigint   of them under the minimum
with

made as (select * from marts.settings_made),

retensions as (
    select
        found_place,
        left_place
    from made
    where
        action = 'retension' and found_place is not null and left_place is not null
),

places as (
    select
        'found' as phase,
        found_place as place
    from retensions
    union all
    select
        'left' as phase,
        left_place as place
    from retensions
),

spread as (
    select
        quantile_cont(place, 0.98) - quantile_cont(place, 0.02) as wide,
        greatest(quantile_cont(place, 0.01), -60e0) as low,
        least(quantile_cont(place, 0.99), 60e0) as high
    from places
),

-- at most 24 steps between the ends, unless what is recorded cannot be
steps as (
    select
        low,
        high,
        case
            when wide <= 6e0 then 0.25e0
            when wide <= 12e0 then 0.5e0
            when wide <= 24e0 then 1e0
            else 2e0
        end as width
    from spread
),

stepped as (
    select
        places.phase,
        places.place,
        steps.width,
        cast(
            least(
                greatest(
                    floor(places.place / steps.width), floor(steps.low / steps.width)
                ),
                floor(steps.high / steps.width)
            ) as bigint
        ) as step
    from places
    inner join steps on true
),

final as (
    select
        phase,
        step,
        width,
        count(*) as n,
        count(*) filter (where place < 0e0) as n_under
    from stepped
    group by phase, step, width
)

select * from final
