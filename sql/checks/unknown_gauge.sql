-- The gauge is in no row of gauges or calibrations.
-- severity: note
-- example: a reading on gauge G-40 where gauges has G-1 to G-9
-- mend: Add the gauge to gauges, or correct its number.
--
-- A fleet that lists no gauge at all gets no note.
with

services as (select * from typed.services),

known as (
    select gauge_id from typed.gauges
    union
    select gauge_id from typed.calibrations
),

known_count as (select count(*) as n_known from known),

final as (
    select
        'services' as table_name,
        services.file_id,
        services.line,
        services.service_id as key,
        'gauge_id' as column_name,
        'unknown_gauge' as code,
        'no row of gauges has ' || services.gauge_id as detail
    from services
    anti join known using (gauge_id)
    cross join known_count
    where services.gauge_id is not null and known_count.n_known > 0
)

select * from final
