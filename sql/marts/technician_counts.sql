-- What each technician set, left in range, and how the run-in recheck was kept.
-- grain: one row per technician
-- key:   technician_id
-- columns:
--   technician_id   varchar
--   shop            varchar  of most settings, else visits
--   settings        bigint
--   with_range      bigint   of them with a published range
--   in_range        bigint   of these left in range
--   installs        bigint   own installs that ran on past the run-in recheck's miles
--   rechecked       bigint   of them rechecked after run-in, by anyone
--   rechecked_early bigint   of them rechecked before the engine had run long enough
with

visits as (select * from history.visits),
fittings as (select * from history.fittings),
settings as (select * from typed.settings),

by_shop as (
    select
        technician_id,
        shop,
        count(*) as visits,
        count(left_n) as settings,
        count(*) filter (where left_n is not null and left_min_n is not null)
            as with_range,
        count(*) filter (where left_n between left_min_n and left_max_n) as in_range
    from visits
    group by technician_id, shop
),

ranked as (
    select
        *,
        row_number() over (
            partition by technician_id
            order by settings desc, visits desc, shop asc
        ) as place
    from by_shop
),

counted as (
    select
        technician_id,
        max(shop) filter (where place = 1) as shop,
        cast(sum(settings) as bigint) as settings,
        cast(sum(with_range) as bigint) as with_range,
        cast(sum(in_range) as bigint) as in_range
    from ranked
    group by technician_id
),

by_belt as (
    select
        belt_key,
        any_value(technician_id) filter (where action = 'install') as technician_id,
        bool_or(is_run_in_recheck) as is_rechecked,
        bool_or(is_too_early) as is_rechecked_early
    from visits
    where action in ('install', 'recheck')
    group by belt_key
),

installs as (
    select
        by_belt.technician_id,
        count(*) as installs,
        count(*) filter (where by_belt.is_rechecked) as rechecked,
        count(*) filter (where by_belt.is_rechecked_early) as rechecked_early
    from by_belt
    inner join fittings using (belt_key)
    inner join settings on true
    where
        fittings.install_service_id is not null
        and greatest(fittings.last_known_mi - fittings.fitted_mi, 0e0)
        >= settings.run_in_recheck_mi
    group by by_belt.technician_id
),

final as (
    select
        counted.technician_id,
        counted.shop,
        counted.settings,
        counted.with_range,
        counted.in_range,
        coalesce(installs.installs, 0) as installs,
        coalesce(installs.rechecked, 0) as rechecked,
        coalesce(installs.rechecked_early, 0) as rechecked_early
    from counted
    left join installs on counted.technician_id = installs.technician_id
)

select * from final
