-- The vehicle cannot have driven so far since the reading before.
-- severity: note
-- example: 9,000 mi more than the day before
-- mend: Correct the odometer or the date, or raise the limit.
-- setting: intake.max_miles_per_day
with

sightings as (select * from typed.odd_odometers),

settings as (select * from typed.settings),

steps as (
    select
        *,
        lag(date) over (
            partition by vehicle_id order by date, odometer_mi
        ) as date_before,
        lag(odometer_mi) over (
            partition by vehicle_id order by date, odometer_mi
        ) as mi_before
    from sightings
),

final as (
    select
        steps.table_name,
        steps.file_id,
        steps.line,
        steps.key,
        'odometer_mi' as column_name,
        'odometer_jump' as code,
        format(
            '{:.0f} mi in {} days',
            steps.odometer_mi - steps.mi_before,
            steps.date - steps.date_before
        ) as detail
    from steps
    cross join settings
    where
        steps.odometer_mi - steps.mi_before
        > settings.max_miles_per_day * (steps.date - steps.date_before + 1)
)

select * from final
