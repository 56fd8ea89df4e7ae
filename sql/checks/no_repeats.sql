-- A gauge whose calibration has no repeats: its repeatability is assumed.
-- severity: note
-- example: one reading at each span
-- mend: Read each known load three times or more at the next calibration.
-- setting: measurement.default_repeatability
select
    'gauges' as table_name,
    cast(null as integer) as file_id,
    cast(null as bigint) as line,
    gauge_id as key,
    'gauge_id' as column_name,
    code,
    detail
from fitted.gauge_notes
