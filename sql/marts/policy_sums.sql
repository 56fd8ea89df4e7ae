-- How belts of each kind were set, ran and came off: what policies are compared by.
-- grain: one row per model and band
-- key:   model, band
-- columns:
--   model           varchar
--   band            varchar  tension at install
--   rechecked       bigint   recorded installs that were rechecked after run-in
--   not_rechecked   bigint   … that ran on past it and were not
--   miles           bigint   belt miles under observation, whole
--   complaints      bigint
--   failures        bigint
--   preventive      bigint   sound belts taken off by mileage or age
--   other_removals  bigint   sound belts taken off for any other reason
--   retensions      bigint
with

belts as (select * from results.belts),
belt_miles as (select * from marts.belt_miles),
visits as (select * from history.visits),
fittings as (select * from history.fittings),
settings as (select * from typed.settings),

counted as (
    select
        belt_key,
        count(*) filter (where is_run_in_recheck) as rechecks,
        count(*) filter (where action = 'retension' and is_inside) as retensions
    from visits
    where action in ('recheck', 'retension')
    group by belt_key
),

works as (
    select
        fittings.belt_id,
        counted.rechecks,
        counted.retensions
    from counted
    inner join fittings using (belt_key)
),

joined as (
    select
        belts.model,
        belts.band,
        belts.end_kind,
        belts.removal_reason,
        belt_miles.complaints,
        belts.install_service_id is not null
        and coalesce(works.rechecks, 0) > 0 as is_rechecked,
        belts.install_service_id is not null
        and coalesce(works.rechecks, 0) = 0
        and belts.last_odometer_mi >= settings.run_in_recheck_mi as is_not_rechecked,
        cast(belt_miles.miles as bigint) as miles,
        coalesce(works.retensions, 0) as retensions
    from belts
    inner join belt_miles on belts.belt_id = belt_miles.belt_id
    inner join settings on true
    left join works on belts.belt_id = works.belt_id
),

final as (
    select
        model,
        band,
        count(*) filter (where is_rechecked) as rechecked,
        count(*) filter (where is_not_rechecked) as not_rechecked,
        cast(sum(miles) as bigint) as miles,
        cast(sum(complaints) as bigint) as complaints,
        count(*) filter (where end_kind = 'failed') as failures,
        count(*) filter (where removal_reason = 'preventive') as preventive,
        count(*) filter (
            where end_kind <> 'failed' and removal_reason <> 'preventive'
        ) as other_removals,
        cast(sum(retensions) as bigint) as retensions
    from joined
    group by model, band
)

select * from final
