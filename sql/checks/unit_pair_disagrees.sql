-- Two units printed for one range of one source do not give the same tension.
-- severity: note
-- example: 100 to 120 lbf beside 400 to 480 N in the same manual (445 to 534 N)
-- mend: Look both up in the manual and correct the one that is wrong.
--
-- Two rows are of one source where their texts differ only by the name of the unit.
with

specs as (select * from typed.specs),

in_newtons as (
    select
        *,
        case unit
            when 'lbf' then 4.4482216152605e0 when 'kgf' then 9.80665e0 else 1e0
        end as newtons_per_unit,
        trim(regexp_replace(
            coalesce(lower(source), ''),
            '\b(lbf|kgf|n|newtons?|pounds?)\b|[^a-z0-9]+',
            ' ',
            'g'
        )) as manual
    from specs
),

pairs as (
    select
        one.*,
        other.unit as other_unit,
        greatest(
            abs(ln(
                one.tension_min * one.newtons_per_unit
                / (other.tension_min * other.newtons_per_unit)
            )),
            abs(ln(
                one.tension_max * one.newtons_per_unit
                / (other.tension_max * other.newtons_per_unit)
            ))
        ) as apart
    from in_newtons as one
    inner join in_newtons as other
        on
            one.drive_id = other.drive_id
            and one.belt_state = other.belt_state
            and regexp_replace(one.manual, '\s+', ' ', 'g')
            = regexp_replace(other.manual, '\s+', ' ', 'g')
            and one.unit <> other.unit
),

final as (
    select
        'specs' as table_name,
        file_id,
        line,
        concat_ws('|', drive_id, belt_state, coalesce(source, '')) as key,
        'unit' as column_name,
        'unit_pair_disagrees' as code,
        format(
            '{} and {} are {:.0f} % apart', unit, other_unit, 100 * max(apart)
        ) as detail
    from pairs
    where apart > 0.03e0
    group by file_id, line, drive_id, belt_state, source, unit, other_unit
)

select * from final
