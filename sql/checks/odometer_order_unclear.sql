-- The odometer stands lower than before, and which reading is wrong is not clear.
-- severity: note
-- example: 41,200 mi in May and 40,900 mi in June, with no other reading near
-- mend: Correct whichever odometer or date is wrong.
with

falls as (select * from typed.odometer_falls),

sightings as (select * from typed.sightings),

final as (
    select
        sightings.table_name,
        sightings.file_id,
        sightings.line,
        sightings.key,
        'odometer_mi' as column_name,
        'odometer_order_unclear' as code,
        format(
            '{:.0f} mi on {}, but {:.0f} mi on {}',
            falls.odometer_mi,
            falls.date,
            falls.mi_before,
            falls.date_before
        ) as detail
    from falls
    inner join sightings using (vehicle_id, date, odometer_mi)
    where falls.odometer_mi < falls.mi_before - 1
)

select * from final
