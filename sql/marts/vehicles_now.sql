-- The vehicles and the belts they now run.
-- grain: one row per vehicle
-- key:   vehicle_id
-- columns:
--   vehicle_id   varchar
--   model        varchar
--   depot        varchar
--   duty         varchar
--   n_belts      bigint   belts now running
with

vehicles as (select * from staging.vehicles),
fittings as (select * from history.fittings),

running as (
    select
        vehicle_id,
        count(*) as n_belts
    from fittings
    where is_running
    group by vehicle_id
),

final as (
    select
        vehicles.vehicle_id,
        vehicles.model,
        vehicles.depot,
        vehicles.duty,
        coalesce(running.n_belts, 0) as n_belts
    from vehicles
    left join running using (vehicle_id)
)

select * from final
