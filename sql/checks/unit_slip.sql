-- The reading looks as if its unit were another: 4.45 or 9.81 times off.
-- severity: note
-- example: 445 lbf where the range is 80 to 100 lbf and the belt read 98 before
-- mend: Correct the reading or its unit.
--
-- It must be so against the middle of the range (within 30 %) and against the median
-- of the other readings of that vehicle's belts (within 20 %). Where there is no
-- other reading, only a reading far too high counts: belts can be that loose.
with

readings as (
    select
        services.file_id,
        services.line,
        services.service_id,
        services.vehicle_id,
        coalesce(services.drive_id, vehicles.drive_id) as drive_id,
        'reading_found' as column_name,
        'used' as belt_state,
        services.reading_found as reading,
        services.reading_unit as unit
    from staging.services as services
    inner join staging.vehicles as vehicles using (vehicle_id)
    where services.reading_found is not null
    union all
    select
        services.file_id,
        services.line,
        services.service_id,
        services.vehicle_id,
        coalesce(services.drive_id, vehicles.drive_id) as drive_id,
        'reading_left' as column_name,
        case when services.action = 'install' then 'new' else 'used' end
            as belt_state,
        services.reading_left as reading,
        services.reading_unit as unit
    from staging.services as services
    inner join staging.vehicles as vehicles using (vehicle_id)
    where services.reading_left is not null
),

units as (
    select
        'N' as unit,
        1e0 as newtons_per_unit
    union all
    select
        'lbf' as unit,
        4.4482216152605e0 as newtons_per_unit
    union all
    select
        'kgf' as unit,
        9.80665e0 as newtons_per_unit
),

slips as (
    select newtons_per_unit as factor
    from units
    where unit <> 'N'
    union all
    select 1e0 / newtons_per_unit as factor
    from units
    where unit <> 'N'
),

tensions as (
    select
        readings.*,
        readings.reading * units.newtons_per_unit as tension_n
    from readings
    inner join units using (unit)
),

middles as (
    select
        specs.drive_id,
        specs.belt_state,
        avg(
            (specs.tension_min + specs.tension_max) / 2e0 * units.newtons_per_unit
        ) as middle_n
    from staging.specs as specs
    inner join units using (unit)
    group by specs.drive_id, specs.belt_state
),

suspects as (
    select
        tensions.*,
        slips.factor
    from tensions
    inner join middles using (drive_id, belt_state)
    cross join slips
    where abs(ln(tensions.tension_n / middles.middle_n / slips.factor)) < ln(1.3e0)
),

others as (
    select
        suspects.service_id,
        suspects.column_name,
        median(tensions.tension_n) as other_n
    from suspects
    inner join tensions using (vehicle_id, drive_id)
    where tensions.service_id <> suspects.service_id
    group by suspects.service_id, suspects.column_name
),

final as (
    select
        'services' as table_name,
        suspects.file_id,
        suspects.line,
        suspects.service_id as key,
        suspects.column_name,
        'unit_slip' as code,
        format(
            '{} {} is about {:.2f} times what fits',
            suspects.reading,
            suspects.unit,
            suspects.factor
        ) as detail
    from suspects
    left join others using (service_id, column_name)
    where
        abs(ln(suspects.tension_n / others.other_n / suspects.factor)) < ln(1.2e0)
        or (others.other_n is null and suspects.factor > 1)
)

select * from final
