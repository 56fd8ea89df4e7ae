-- The middle of the used range, on average over the vehicles of each model and of all.
-- grain: one row per model, and all
-- key:   model
-- columns:
--   model     varchar
--   middle_n  double   N; null: no used range published
with

vehicles as (select * from staging.vehicles),
ranges as (select * from history.ranges),

middles as (
    select
        vehicles.model,
        cast(5e2 * (ranges.spec_min_n + ranges.spec_max_n) as bigint) as middle_mn
    from vehicles
    left join ranges
        on vehicles.drive_id = ranges.drive_id and ranges.belt_state = 'used'
),

with_all as (
    select
        model,
        middle_mn
    from middles
    union all
    select
        'all' as model,
        middle_mn
    from middles
),

final as (
    select
        model,
        cast(sum(middle_mn) as double) / nullif(count(middle_mn), 0) / 1e3 as middle_n
    from with_all
    group by model
)

select * from final
