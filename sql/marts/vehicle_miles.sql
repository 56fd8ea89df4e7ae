-- What each vehicle ran on belts of each band, what was heard of them, how it was set.
-- grain: one row per vehicle
-- key:   vehicle_id
-- columns:
--   vehicle_id            varchar
--   model                 varchar
--   depot                 varchar
--   loose_mi              bigint   miles under observation on such belts, whole
--   under_mi              bigint
--   in_spec_mi            bigint
--   over_mi               bigint
--   tight_mi              bigint
--   unknown_mi            bigint
--   belts                 bigint   with miles under observation
--   failures              bigint   of them
--   complaints            bigint   about them
--   drift_pct_per_1000mi  double   mean of the belts now running
--   last_install_band     varchar  of the belt fitted last
with

vehicles as (select * from staging.vehicles),
belts as (select * from results.belts),
belt_miles as (select * from marts.belt_miles),
drift as (select * from fitted.belt_now),

joined as (
    select
        belts.vehicle_id,
        belts.band,
        belts.end_kind = 'failed' as is_failed,
        coalesce(cast(belts.install_date as varchar), '0000-00-00')
        || belts.belt_id as fitted,
        cast(belt_miles.miles as bigint) as miles,
        belt_miles.complaints,
        cast(drift.drift_pct_per_1000mi * 1e12 as bigint) as drift
    from belts
    left join belt_miles on belts.belt_id = belt_miles.belt_id
    left join drift on belts.belt_id = drift.belt_id
),

summed as (
    select
        vehicle_id,
        sum(miles) filter (where band = 'loose') as loose_mi,
        sum(miles) filter (where band = 'under') as under_mi,
        sum(miles) filter (where band = 'in_spec') as in_spec_mi,
        sum(miles) filter (where band = 'over') as over_mi,
        sum(miles) filter (where band = 'tight') as tight_mi,
        sum(miles) filter (where band = 'unknown') as unknown_mi,
        count(miles) as belts,
        count(miles) filter (where is_failed) as failures,
        sum(complaints) as complaints,
        cast(sum(drift) as double) / 1e12 / nullif(count(drift), 0)
            as drift_pct_per_1000mi,
        arg_max(band, fitted) as last_install_band
    from joined
    group by vehicle_id
),

final as (
    select
        vehicles.vehicle_id,
        vehicles.model,
        vehicles.depot,
        cast(coalesce(summed.loose_mi, 0) as bigint) as loose_mi,
        cast(coalesce(summed.under_mi, 0) as bigint) as under_mi,
        cast(coalesce(summed.in_spec_mi, 0) as bigint) as in_spec_mi,
        cast(coalesce(summed.over_mi, 0) as bigint) as over_mi,
        cast(coalesce(summed.tight_mi, 0) as bigint) as tight_mi,
        cast(coalesce(summed.unknown_mi, 0) as bigint) as unknown_mi,
        coalesce(summed.belts, 0) as belts,
        coalesce(summed.failures, 0) as failures,
        cast(coalesce(summed.complaints, 0) as bigint) as complaints,
        summed.drift_pct_per_1000mi,
        summed.last_install_band
    from vehicles
    left join summed using (vehicle_id)
)

select * from final
