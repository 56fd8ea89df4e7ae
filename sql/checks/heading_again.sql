-- The row repeats the headings: it is no vehicle.
-- severity: quarantine
-- example: two exports put one after the other, each with its headings
-- mend: Nothing: a row of headings is no record.
--
-- In every other table a row of headings is refused for its numbers, dates or words.
with

vehicles as (select * from typed.vehicles),
files as (select * from raw.files),

headings as (
    select
        file_id,
        coalesce(understood ->> '$.headings.vehicle_id', 'vehicle_id')
        || coalesce(understood ->> '$.headings.model', 'model') as words
    from files
),

final as (
    select
        'vehicles' as table_name,
        vehicles.file_id,
        vehicles.line,
        vehicles.vehicle_id as key,
        'vehicle_id' as column_name,
        'heading_again' as code,
        'the cells are the headings of their columns' as detail
    from vehicles
    inner join headings using (file_id)
    where
        regexp_replace(lower(vehicles.vehicle_id || vehicles.model), '[ _]', '', 'g')
        = regexp_replace(lower(headings.words), '[ _]', '', 'g')
)

select * from final
