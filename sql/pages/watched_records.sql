-- The records that the watchlist and its changes point at, with the last reading.
-- grain: one row per service record
-- key:   service_id
-- columns:
--   service_id   varchar
--   date         date
--   tension_n    double   left, else found, N
--   tension_u_n  double   standard uncertainty, N
--   file         varchar
--   line         bigint
with

watched as (select * from results.watchlist),
changed as (select * from results.watchlist_changes),
visits as (select * from history.visits),
tension_readings as (select * from results.tension_readings),
files as (select * from raw.files),

asked as (
    select last_service_id as service_id from watched
    union
    select last_service_id as service_id from changed
),

read_then as (
    select
        service_id,
        tension_readings.tension_n,
        tension_readings.tension_u_n,
        row_number() over (
            partition by service_id order by tension_readings.phase desc
        ) as place
    from asked
    inner join tension_readings using (service_id)
    where tension_readings.tension_n is not null
),

final as (
    select
        asked.service_id,
        visits.date,
        read_then.tension_n,
        read_then.tension_u_n,
        files.file,
        visits.line
    from asked
    inner join visits using (service_id)
    inner join files on visits.file_id = files.file_id
    left join read_then
        on asked.service_id = read_then.service_id and read_then.place = 1
)

select * from final
