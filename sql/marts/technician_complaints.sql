-- Complaints in the first 5,000 miles after each technician set or fitted a belt.
-- grain: one row per technician and model
-- key:   technician_id, model
-- columns:
--   technician_id       varchar
--   model               varchar
--   works               bigint  settings and fittings with miles after them
--   belts               bigint  of so many belts
--   miles               bigint  to 5,000 mi, the next such work or the belt's end
--   complaints          bigint  in those miles
--   complaints_squared  bigint  summed over belts, as the next two
--   complaints_miles    bigint
--   miles_squared       double
with

visits as (select * from history.visits),
vehicles as (select * from staging.vehicles),
exposures as (select * from history.exposures),
complaints as (select * from history.complaint_belts),

works as (
    select
        visits.belt_key,
        visits.visit_key,
        visits.technician_id,
        vehicles.model,
        visits.odometer_mi as from_mi,
        lead(visits.odometer_mi) over (
            partition by visits.belt_key order by visits.visit_key
        ) as next_mi
    from visits
    inner join vehicles using (vehicle_no)
    where
        visits.action in ('install', 'refit')
        or visits.is_setting
        or visits.is_blind_setting
),

windows as (
    select
        works.belt_key,
        works.visit_key,
        works.technician_id,
        works.model,
        works.from_mi,
        least(
            works.from_mi + 5e3, coalesce(works.next_mi, 1e300), exposures.to_mi
        ) as to_mi
    from works
    inner join exposures using (belt_key)
    where works.from_mi >= exposures.from_mi
),

heard as (
    select
        windows.visit_key,
        count(*) as complaints
    from windows
    inner join complaints
        on
            windows.belt_key = complaints.belt_key
            and windows.from_mi < complaints.odometer_mi
            and windows.to_mi >= complaints.odometer_mi
    group by windows.visit_key
),

by_belt as (
    select
        windows.technician_id,
        windows.model,
        windows.belt_key,
        count(*) as works,
        cast(sum(cast(windows.to_mi - windows.from_mi as bigint)) as bigint) as miles,
        cast(sum(coalesce(heard.complaints, 0)) as bigint) as complaints
    from windows
    left join heard using (visit_key)
    where windows.to_mi > windows.from_mi
    group by windows.technician_id, windows.model, windows.belt_key
),

final as (
    select
        technician_id,
        model,
        cast(sum(works) as bigint) as works,
        count(*) as belts,
        cast(sum(miles) as bigint) as miles,
        cast(sum(complaints) as bigint) as complaints,
        cast(sum(complaints * complaints) as bigint) as complaints_squared,
        cast(sum(complaints * miles) as bigint) as complaints_miles,
        cast(sum(miles * miles) as double) as miles_squared
    from by_belt
    group by technician_id, model
)

select * from final
