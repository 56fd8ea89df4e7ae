-- The miles of each belt under observation, its complaints and accessory repairs.
-- grain: one row per belt with miles under observation
-- key:   belt_id
-- columns:
--   belt_id     varchar
--   vehicle_id  varchar
--   model       varchar
--   band        varchar
--   miles       double   mi
--   entry_mi    double   miles since fitting when they begin; null: unknown age
--   end_mi      double   miles since fitting when they end; null: unknown age
--   complaints  bigint   of every noise
--   squeal      bigint
--   chirp       bigint
--   rumble      bigint
--   whine       bigint
--   other       bigint
--   bearing     bigint   repairs of an accessory for its bearing, in these miles
--   no_bearing  bigint   repairs of an accessory for another fault
with

exposures as (select * from history.exposures),
belts as (select * from results.belts),
events as (select * from marts.noise_events),
repair_belts as (select * from history.repair_belts),

counts as (
    select
        belt_id,
        count(*) as complaints,
        count(*) filter (where noise = 'squeal') as squeal,
        count(*) filter (where noise = 'chirp') as chirp,
        count(*) filter (where noise = 'rumble') as rumble,
        count(*) filter (where noise = 'whine') as whine,
        count(*) filter (where noise = 'other') as other
    from events
    group by belt_id
),

repairs as (
    select
        repair_belts.belt_key,
        count(*) filter (where repair_belts.is_bearing) as bearing,
        count(*) filter (where not repair_belts.is_bearing) as no_bearing
    from repair_belts
    inner join exposures using (belt_key)
    where
        repair_belts.odometer_mi <= exposures.to_mi
        and (
            repair_belts.odometer_mi > exposures.from_mi
            or repair_belts.odometer_mi = exposures.fitted_mi
        )
    group by repair_belts.belt_key
),

final as (
    select
        exposures.belt_id,
        exposures.vehicle_id,
        belts.model,
        belts.band,
        exposures.miles,
        exposures.from_mi - exposures.fitted_mi as entry_mi,
        exposures.to_mi - exposures.fitted_mi as end_mi,
        coalesce(counts.complaints, 0) as complaints,
        coalesce(counts.squeal, 0) as squeal,
        coalesce(counts.chirp, 0) as chirp,
        coalesce(counts.rumble, 0) as rumble,
        coalesce(counts.whine, 0) as whine,
        coalesce(counts.other, 0) as other,
        coalesce(repairs.bearing, 0) as bearing,
        coalesce(repairs.no_bearing, 0) as no_bearing
    from exposures
    inner join belts on exposures.belt_id = belts.belt_id
    left join counts on exposures.belt_id = counts.belt_id
    left join repairs on exposures.belt_key = repairs.belt_key
)

select * from final
