-- The range's minimum is above its maximum.
-- severity: quarantine
-- example: tension_min 120 and tension_max 100
-- mend: Swap the two limits, or correct the one that is wrong.
with

specs as (select * from typed.specs),

final as (
    select
        'specs' as table_name,
        file_id,
        line,
        concat_ws('|', drive_id, belt_state, coalesce(source, '')) as key,
        'tension_min' as column_name,
        'min_over_max' as code,
        format('{} is above {} {}', tension_min, tension_max, unit) as detail
    from specs
    where tension_min > tension_max
)

select * from final
