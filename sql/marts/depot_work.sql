-- The belt work done on each depot's vehicles in the last year of the records.
-- grain: one row per depot
-- key:   depot
-- columns:
--   depot       varchar
--   vehicles    bigint   in service
--   weeks       double   that the counts are of: 52, or since records are complete
--   installs    bigint   belts fitted
--   retensions  bigint
with

vehicles as (select * from staging.vehicles),
visits as (select * from history.visits),
settings as (select * from typed.settings),

as_of as (
    select
        window_.as_of,
        least(window_.as_of, window_.last_record) as last_day,
        date_diff(
            'day',
            greatest(
                window_.first_record,
                coalesce(settings.records_from, window_.first_record)
            ),
            least(window_.as_of, window_.last_record)
        ) as days
    from history.as_of as window_
    inner join settings on true
),

work as (
    select
        visits.vehicle_no,
        count(*) filter (where visits.action = 'install') as installs,
        count(*) filter (where visits.action = 'retension') as retensions
    from visits
    inner join as_of on date_diff('day', visits.date, as_of.last_day) < 364
    inner join settings on visits.date >= coalesce(settings.records_from, visits.date)
    group by visits.vehicle_no
),

final as (
    select
        vehicles.depot,
        count(*) filter (
            where coalesce(vehicles.retired_date > as_of.as_of, true)
        ) as vehicles,
        max(
            case
                when as_of.days >= 363 then 52e0
                when as_of.days >= 6 then (1e0 + as_of.days) / 7e0
                else 1e0
            end
        ) as weeks,
        cast(sum(coalesce(work.installs, 0)) as bigint) as installs,
        cast(sum(coalesce(work.retensions, 0)) as bigint) as retensions
    from vehicles
    inner join as_of on true
    left join work on vehicles.vehicle_no = work.vehicle_no
    group by vehicles.depot
)

select * from final
