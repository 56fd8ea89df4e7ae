-- The odometer stands lower than before, and which reading is wrong is not clear.
-- severity: note
-- example: 41,200 mi in May and 40,900 mi in June, with no other reading near
-- mend: Correct whichever odometer or date is wrong.
with

readings as (select * from typed.odometer_neighbours),

sightings as (select * from typed.odd_odometers),

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
            readings.odometer_mi,
            readings.date,
            readings.mi_before,
            readings.date_before
        ) as detail
    from readings
    inner join sightings using (vehicle_id, date, odometer_mi)
    where readings.odometer_mi < readings.mi_before - 1
)

select * from final
