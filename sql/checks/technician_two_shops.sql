-- The technician worked in two shops on one day.
-- severity: note
-- example: T-12 in shop North at one vehicle and in shop South at another
-- mend: Correct the shop or the technician of one of the visits.
with

-- few ever change their shop, and their days are few
movers as (
    select technician_id
    from history.visits
    group by technician_id
    having min(shop) <> max(shop)
),

visits as (
    select visits.*
    from history.visits as visits
    semi join movers using (technician_id)
),

shops as (
    select
        technician_id,
        date,
        string_agg(distinct shop, ', ' order by shop) as shops
    from visits
    group by technician_id, date
    having min(shop) <> max(shop)
),

final as (
    select
        'services' as table_name,
        visits.file_id,
        visits.line,
        visits.service_id as key,
        'shop' as column_name,
        'technician_two_shops' as code,
        format(
            '{} on {} in {}', visits.technician_id, visits.date, shops.shops
        ) as detail
    from visits
    inner join shops using (technician_id, date)
)

select * from final
