-- The reading looks as if its unit were another: 4.45 or 9.81 times off.
-- severity: note
-- example: 445 lbf where the range is 80 to 100 lbf and the belt read 98 before
-- mend: Correct the reading or its unit.
--
-- It must be so against the middle of the range (within 30 %) and against the median
-- of the other readings of that vehicle's belts (within 20 %). Where there is no
-- other reading, only a reading far too high counts: belts can be that loose.
with

-- pounds or kilograms of force taken for newtons, and newtons for them
slips as (
    select unnest([
        4.4482216152605e0, 9.80665e0, 1e0 / 4.4482216152605e0, 1e0 / 9.80665e0
    ]) as factor
),

-- those within three times the middle of their range are soon told to be none
far as (
    select
        file_id,
        line,
        service_id,
        vehicle_no,
        drive_id,
        phase,
        reading,
        unit,
        shown_n,
        shown_n * 2e0 / (spec_min_n + spec_max_n) as share
    from history.readings
    where
        unit <> 'Hz'
        and not shown_n * 2e0 / (spec_min_n + spec_max_n) between 0.33e0 and 3e0
),

suspects as (
    select
        far.*,
        slips.factor
    from far
    cross join slips
    where abs(ln(far.share / slips.factor)) < ln(1.3e0)
),

others as (
    select
        suspects.service_id,
        suspects.phase,
        median(readings.shown_n) as other_n
    from suspects
    inner join history.readings as readings using (vehicle_no, drive_id)
    where readings.service_id <> suspects.service_id and readings.unit <> 'Hz'
    group by suspects.service_id, suspects.phase
),

final as (
    select
        'services' as table_name,
        suspects.file_id,
        suspects.line,
        suspects.service_id as key,
        'reading_' || suspects.phase as column_name,
        'unit_slip' as code,
        format(
            '{} {} is about {:.2f} times what fits',
            suspects.reading,
            suspects.unit,
            suspects.factor
        ) as detail
    from suspects
    left join others using (service_id, phase)
    where
        abs(ln(suspects.shown_n / others.other_n / suspects.factor)) < ln(1.2e0)
        or (others.other_n is null and suspects.factor > 1)
)

select * from final
