-- The day on which 'now' stands, and the window of the records.
-- grain: one row
-- key:   as_of
-- columns:
--   as_of         date    asked for, else the newest date of services and odometers
--   first_record  date    the fleet's first
--   last_record   date    the fleet's last
--   n_after       bigint  records after as-of: kept, not used
with

asked as (select * from typed.run_options),
services as (select * from staging.services),
odometers as (select * from staging.odometers),
complaints as (select * from staging.complaints),
repairs as (select * from staging.repairs),

records as (
    select
        date,
        true as sets_now
    from services
    union all
    select
        date,
        true as sets_now
    from odometers
    union all
    select
        date,
        false as sets_now
    from complaints
    union all
    select
        date,
        false as sets_now
    from repairs
),

asked_or_newest as (
    select
        coalesce(
            (select max(asked.as_of) from asked),
            max(date) filter (where sets_now),
            max(date)
        ) as as_of
    from records
),

final as (
    select
        asked_or_newest.as_of,
        min(records.date) as first_record,
        max(records.date) as last_record,
        count(*) filter (where records.date > asked_or_newest.as_of) as n_after
    from asked_or_newest
    left join records on true
    group by asked_or_newest.as_of
)

select * from final
