-- The odometer reading is the odd one out: those before and after it agree.
-- severity: quarantine
-- example: 41,200 mi, then 14,300 mi, then 43,900 mi; the second is refused
-- mend: Correct the odometer: the readings before and after it agree.
--
-- A reading is refused only where taking it away mends the order and taking its
-- neighbour away instead would not. At an end of the records the two readings next to
-- it must agree with each other. One mile is allowed for rounding.
with

readings as (select * from typed.odometer_neighbours),

sightings as (select * from typed.odd_odometers),

odd as (
    select
        *,
        coalesce(
            odometer_mi < mi_before - 1
            and odometer_mi < mi_before_that - 1
            and mi_before_that <= mi_before
            and mi_before <= coalesce(mi_after, mi_before),
            false
        ) as is_low,
        coalesce(
            odometer_mi > mi_after + 1
            and odometer_mi > mi_after_that + 1
            and mi_after <= mi_after_that
            and coalesce(mi_before, mi_after) <= mi_after,
            false
        ) as is_high
    from readings
),

final as (
    select
        sightings.table_name,
        sightings.file_id,
        sightings.line,
        sightings.key,
        'odometer_mi' as column_name,
        'odometer_backwards' as code,
        format(
            '{:.0f} mi on {}, between {} and {}',
            odd.odometer_mi,
            odd.date,
            coalesce(format('{:.0f} mi', odd.mi_before), 'nothing'),
            coalesce(format('{:.0f} mi', odd.mi_after), 'nothing')
        ) as detail
    from odd
    inner join sightings using (vehicle_id, date, odometer_mi)
    where odd.is_low or odd.is_high
)

select * from final
