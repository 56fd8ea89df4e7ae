-- Every file taken in, accounted for to the row.
-- grain: a file taken in
-- key:   file, sha256
-- columns:
--   file             varchar    name as given
--   sha256           varchar    of its bytes
--   table_name       varchar    the table it fed
--   rows_read        bigint     records in it
--   rows_loaded      bigint     rows taken in
--   rows_quarantined bigint     rows refused
--   rows_duplicate   bigint     rows already known
--   rows_superseded  bigint     of the loaded, later replaced
--   loaded_at        timestamp  time of the load, UTC
with

files as (select * from raw.files),
refusals as (select * from typed.refusals),
duplicates as (select * from typed.duplicates),
replaced as (select * from typed.replaced),
vehicles as (select file_id from typed.vehicles),
drives as (select file_id from typed.drives),
specs as (select file_id from typed.specs),
services as (select file_id from typed.services),
gauges as (select file_id from typed.gauges),
calibrations as (select file_id from typed.calibrations),
complaints as (select file_id from typed.complaints),
odometers as (select file_id from typed.odometers),
repairs as (select file_id from typed.repairs),
pulleys as (select file_id from typed.pulleys),

loaded_rows as (
    select file_id from vehicles
    union all
    select file_id from drives
    union all
    select file_id from specs
    union all
    select file_id from services
    union all
    select file_id from gauges
    union all
    select file_id from calibrations
    union all
    select file_id from complaints
    union all
    select file_id from odometers
    union all
    select file_id from repairs
    union all
    select file_id from pulleys
    union all
    select file_id from replaced
),

loaded as (
    select
        file_id,
        count(*) as n
    from loaded_rows
    group by file_id
),

refused as (
    select
        file_id,
        count(*) as n
    from refusals
    group by file_id
),

known as (
    select
        file_id,
        count(*) as n
    from duplicates
    group by file_id
),

superseded as (
    select
        file_id,
        count(*) as n
    from replaced
    group by file_id
),

final as (
    select
        files.file,
        files.sha256,
        files.table_name,
        files.rows_read,
        coalesce(loaded.n, 0) as rows_loaded,
        coalesce(refused.n, 0) as rows_quarantined,
        coalesce(known.n, 0) as rows_duplicate,
        coalesce(superseded.n, 0) as rows_superseded,
        files.loaded_at
    from files
    left join loaded using (file_id)
    left join refused using (file_id)
    left join known using (file_id)
    left join superseded using (file_id)
)

select * from final
