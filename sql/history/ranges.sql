-- The range in force for each drive and state of belt, as entered and in newtons.
-- grain: one row per drive and state of belt
-- key:   drive_id, belt_state
-- columns:
--   drive_id      varchar
--   belt_state    varchar  new or used
--   spec_min_n    double   lower limit, N
--   spec_max_n    double   upper limit, N
--   as_published  varchar  value, unit and source as entered
--   is_disputed   boolean  another source's limit is over 3 % away
with

specs as (select * from staging.specs),
preferred as (select * from typed.preferred_sources),

ranked as (
    select
        specs.drive_id,
        specs.belt_state,
        specs.source,
        specs.tension_min,
        specs.tension_max,
        specs.unit,
        specs.min_n,
        specs.max_n,
        row_number() over (
            partition by specs.drive_id, specs.belt_state
            order by preferred.rank nulls last, specs.source
        ) as choice,
        max(specs.min_n) over published / min(specs.min_n) over published
        > 1.03e0
        or max(specs.max_n) over published / min(specs.max_n) over published
        > 1.03e0 as is_disputed
    from specs
    left join preferred using (source)
    window published as (partition by specs.drive_id, specs.belt_state)
),

final as (
    select
        drive_id,
        belt_state,
        min_n as spec_min_n,
        max_n as spec_max_n,
        cast(tension_min as varchar) || ' to ' || cast(tension_max as varchar)
        || ' ' || unit
        || case when source = '' then '' else ' (' || source || ')' end
            as as_published,
        is_disputed
    from ranked
    where choice = 1
)

select * from final
