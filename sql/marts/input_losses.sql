-- What share of each model's input was lost to refusals and doubts.
-- grain: one row per input and cause, those that lost nothing too
-- key:   input, cause
-- columns:
--   input    varchar  visits, gauges, verdicts, drift, life, noise or miles
--   cause    varchar  refused, after_as_of, a code of the notes, or what it lacked
--   n_lost   bigint   input lost to it
--   n_input  bigint   all of it, what was lost included
--   share    double   null: no input at all
with

refusals as (select * from typed.refusals),
raw_services as (select * from raw.services),
visits as (select * from history.visits),
services as (select * from staging.services),
calibrations as (select * from staging.calibrations),
complaints as (select * from staging.complaints),
placed as (select * from history.complaint_belts),
noise_events as (select * from marts.noise_events),
readings as (select * from history.readings),
belts as (select * from results.belts),
lives as (select * from marts.lives),
sightings as (select * from typed.sightings),

refused_rows as (
    select
        count(*) filter (where table_name = 'services') as services,
        count(*) filter (where table_name = 'calibrations') as calibrations,
        count(*) filter (where table_name = 'complaints') as complaints,
        count(*) filter (
            where table_name in ('services', 'complaints', 'repairs', 'odometers')
        ) as sightings
    from refusals
),

refused_readings as (
    select count(raw_services.reading_found) + count(raw_services.reading_left) as n
    from raw_services
    inner join refusals using (file_id, line)
),

of_readings as (
    select
        count(*) as n,
        count(*) filter (where tension_n is null) as n_no_tension,
        count(*) filter (where tension_n is not null and spec_min_n is null)
            as n_no_spec,
        count(*) filter (where tension_n is not null and is_out_of_line)
            as n_out_of_line,
        count(*) filter (
            where tension_n is not null and not is_out_of_line and not is_used
        ) as n_not_used
    from readings
),

of_complaints as (
    select
        (select count(*) from complaints) as n,
        count(*) as n_placed,
        count(*) filter (where belt_id is null) as n_without_belt,
        (select count(*) from noise_events) as n_used
    from placed
),

lost as (
    select
        'visits' as input,
        'refused' as cause,
        refused_rows.services as n_lost
    from refused_rows
    union all
    select
        'visits' as input,
        'after_as_of' as cause,
        (select count(*) from services) - (select count(*) from visits) as n_lost
    union all
    select
        'gauges' as input,
        'refused' as cause,
        refused_rows.calibrations as n_lost
    from refused_rows
    union all
    select
        'verdicts' as input,
        unnest(['refused', 'no_tension', 'no_spec']) as cause,
        unnest([
            refused_readings.n, of_readings.n_no_tension, of_readings.n_no_spec
        ]) as n_lost
    from of_readings
    cross join refused_readings
    union all
    select
        'drift' as input,
        unnest(
            ['refused', 'no_tension', 'reading_out_of_line', 'reading_not_used']
        ) as cause,
        unnest([
            refused_readings.n,
            of_readings.n_no_tension,
            of_readings.n_out_of_line,
            of_readings.n_not_used
        ]) as n_lost
    from of_readings
    cross join refused_readings
    union all
    select
        'life' as input,
        'unknown_age' as cause,
        (select count(*) from belts) - (select count(*) from lives) as n_lost
    union all
    select
        'noise' as input,
        unnest(
            ['refused', 'after_as_of', 'complaint_without_belt', 'not_observed']
        ) as cause,
        unnest([
            refused_rows.complaints,
            of_complaints.n - of_complaints.n_placed,
            of_complaints.n_without_belt,
            of_complaints.n_placed
            - of_complaints.n_without_belt
            - of_complaints.n_used
        ]) as n_lost
    from of_complaints
    cross join refused_rows
    union all
    select
        'miles' as input,
        'refused' as cause,
        refused_rows.sightings as n_lost
    from refused_rows
),

inputs as (
    select
        'visits' as input,
        refused_rows.services + (select count(*) from services) as n_input
    from refused_rows
    union all
    select
        'gauges' as input,
        refused_rows.calibrations + (select count(*) from calibrations) as n_input
    from refused_rows
    union all
    select
        unnest(['verdicts', 'drift']) as input,
        refused_readings.n + of_readings.n as n_input
    from of_readings
    cross join refused_readings
    union all
    select
        'life' as input,
        count(*) as n_input
    from belts
    union all
    select
        'noise' as input,
        refused_rows.complaints + of_complaints.n as n_input
    from of_complaints
    cross join refused_rows
    union all
    select
        'miles' as input,
        refused_rows.sightings + (select count(*) from sightings) as n_input
    from refused_rows
),

final as (
    select
        lost.input,
        lost.cause,
        lost.n_lost,
        inputs.n_input,
        lost.n_lost / nullif(inputs.n_input, 0) as share
    from lost
    inner join inputs using (input)
)

select * from final
