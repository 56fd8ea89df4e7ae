-- Published ranges for one drive and state are over 3 % apart.
-- severity: note
-- example: two manuals, 95 to 135 lbf and 100 to 140 lbf
-- mend: Name the source to prefer, or take the other out of specs.
-- setting: belts.preferred_sources
select
    'specs' as table_name,
    specs.file_id,
    specs.line,
    specs.drive_id || '/' || specs.belt_state || '/' || specs.source as key,
    'source' as column_name,
    'ranges_disagree' as code,
    'Another source gives a limit over 3 % away; '
    || ranges.as_published || ' is used.' as detail
from staging.specs as specs
inner join history.ranges as ranges
    on
        specs.drive_id = ranges.drive_id
        and specs.belt_state = ranges.belt_state
where ranges.is_disputed
