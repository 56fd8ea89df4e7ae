-- The belts whose tension the drift filter follows, numbered.
-- grain: one row per belt in history.belt_states
-- key:   belt_key
-- columns:
--   belt_key    bigint   stands for belt_id
--   belt_no     bigint   0, 1, …
--   belt_id     varchar
--   vehicle_no  bigint   stands for vehicle_id
--   drive_id    varchar
--   model_no    bigint   0, 1, …
--   model       varchar
--   duty_no     integer  0 not known, 1 urban, 2 mixed, 3 highway
with

fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),

final as (
    select
        fittings.belt_key,
        row_number() over (order by fittings.belt_key) - 1 as belt_no,
        fittings.belt_id,
        fittings.vehicle_no,
        fittings.drive_id,
        dense_rank() over (order by vehicles.model) - 1 as model_no,
        vehicles.model,
        case vehicles.duty
            when 'urban' then 1
            when 'mixed' then 2
            when 'highway' then 3
            else 0
        end as duty_no
    from fittings
    inner join vehicles using (vehicle_no)
    where fittings.last_state_key is not null
)

select * from final
