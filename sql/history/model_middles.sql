-- The middle of the used range, on average over the vehicles of each model and of all.
-- grain: one row per model with a used range, and all
-- key:   model
-- columns:
--   model     varchar
--   middle_n  double   N
with

vehicles as (select * from staging.vehicles),
ranges as (select * from history.ranges),

middles as (
    select
        vehicles.model,
        (ranges.spec_min_n + ranges.spec_max_n) / 2e0 as middle_n
    from vehicles
    inner join ranges
        on vehicles.drive_id = ranges.drive_id and ranges.belt_state = 'used'
),

with_all as (
    select
        model,
        middle_n
    from middles
    union all
    select
        'all' as model,
        middle_n
    from middles
),

final as (
    select
        model,
        avg(middle_n) as middle_n
    from with_all
    group by model
)

select * from final
