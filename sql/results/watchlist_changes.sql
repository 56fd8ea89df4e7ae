-- What came onto the watchlist and what left it since the last run on other records.
-- grain: a belt that is on one of the two watchlists only
-- key:   belt_id
-- columns:
--   belt_id         varchar  the belt
--   vehicle_id      varchar  the vehicle
--   depot           varchar  its depot
--   change          varchar  new or gone
--   because         varchar  read_again, belt_off, or same_readings (miles, the model)
--   reason          varchar  of being on the list that it is on
--   p_under_before  double   on the last run's list; null where new
--   p_under_now     double   now; null where the belt runs no more
--   last_service_id varchar  last record with a reading, as of the list it is on
with

listed_before as (select * from previous.watchlist),
read_before as (select * from previous.settings_in_force),
facts_before as (select * from previous.run_info),
listed_now as (select * from results.watchlist),
read_now as (select * from marts.settings_in_force),
belt_now as (select * from fitted.belt_now),

was_run as (
    select count(*) > 0 as is_compared
    from facts_before
),

came as (
    select
        listed_now.belt_id,
        listed_now.vehicle_id,
        listed_now.depot,
        'new' as change,
        listed_now.reason,
        cast(null as double) as p_under_before,
        listed_now.last_service_id
    from listed_now
    left join listed_before on listed_now.belt_id = listed_before.belt_id
    inner join was_run on was_run.is_compared
    where listed_before.belt_id is null
),

went as (
    select
        listed_before.belt_id,
        listed_before.vehicle_id,
        listed_before.depot,
        'gone' as change,
        listed_before.reason,
        listed_before.p_under_now as p_under_before,
        listed_before.last_service_id
    from listed_before
    left join listed_now on listed_before.belt_id = listed_now.belt_id
    where listed_now.belt_id is null
),

changed as (
    select * from came
    union all
    select * from went
),

final as (
    select
        changed.belt_id,
        changed.vehicle_id,
        changed.depot,
        changed.change,
        case
            when read_now.belt_id is null then 'belt_off'
            when
                coalesce(
                    read_now.last_service_id = read_before.last_service_id, false
                )
                then 'same_readings'
            else 'read_again'
        end as because,
        changed.reason,
        changed.p_under_before,
        belt_now.p_under_now,
        changed.last_service_id
    from changed
    left join read_now on changed.belt_id = read_now.belt_id
    left join read_before on changed.belt_id = read_before.belt_id
    left join belt_now on changed.belt_id = belt_now.belt_id
)

select * from final
