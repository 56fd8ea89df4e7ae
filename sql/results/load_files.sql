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
--   unknown_columns  varchar    headings kept aside, joined by "; "; null: none
select
    files.file,
    files.sha256,
    files.table_name,
    files.rows_read,
    accounts.rows_loaded,
    accounts.rows_quarantined,
    accounts.rows_duplicate,
    accounts.rows_superseded,
    files.loaded_at,
    files.unknown_columns
from raw.files as files
inner join typed.accounts as accounts using (file_id)
