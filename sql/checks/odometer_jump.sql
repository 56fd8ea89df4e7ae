-- The vehicle cannot have driven so far since the reading before.
-- severity: note
-- example: 9,000 mi more than the day before
with

steps as (select * from typed.odometer_steps),

sightings as (select * from typed.sightings),

settings as (select * from typed.settings),

final as (
    select
        sightings.table_name,
        sightings.file_id,
        sightings.line,
        sightings.key,
        'odometer_mi' as column_name,
        'odometer_jump' as code,
        format(
            '{:.0f} mi in {} days',
            steps.odometer_mi - steps.mi_before,
            steps.date - steps.date_before
        ) as detail
    from steps
    inner join sightings using (vehicle_id, date, odometer_mi)
    cross join settings
    where
        steps.odometer_mi - steps.mi_before
        > settings.max_miles_per_day * (steps.date - steps.date_before + 1)
)

select * from final
