-- The drive is in no row of drives.
-- severity: note
-- example: a vehicle with drive D-17 where drives has D-1 to D-6
-- mend: Add the drive to drives, or correct its name.
with

drives as (select * from typed.drives),

named as (
    select
        'vehicles' as table_name,
        file_id,
        line,
        vehicle_id as key,
        drive_id
    from typed.vehicles
    union all
    select
        'specs' as table_name,
        file_id,
        line,
        concat_ws('|', drive_id, belt_state, coalesce(source, '')) as key,
        drive_id
    from typed.specs
    union all
    select
        'services' as table_name,
        file_id,
        line,
        service_id as key,
        drive_id
    from typed.services
    where drive_id is not null
    union all
    select
        'complaints' as table_name,
        file_id,
        line,
        complaint_id as key,
        drive_id
    from typed.complaints
    where drive_id is not null
    union all
    select
        'pulleys' as table_name,
        file_id,
        line,
        concat_ws('|', drive_id, position) as key,
        drive_id
    from typed.pulleys
),

final as (
    select
        named.table_name,
        named.file_id,
        named.line,
        named.key,
        'drive_id' as column_name,
        'unknown_drive' as code,
        'no row of drives has ' || named.drive_id as detail
    from named
    anti join drives using (drive_id)
)

select * from final
