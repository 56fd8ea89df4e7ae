-- The published ranges, as entered and in newtons.
-- grain: one row per published range
-- key:   drive_id, belt_state, source
-- columns:
--   drive_id    varchar
--   belt_state  varchar  new or used
--   source      varchar  manual and page; empty when not given
--   tension_min double   as published
--   tension_max double   as published
--   unit        varchar  as published
--   min_n       double   lower limit, N
--   max_n       double   upper limit, N
--   file_id     integer  file it came from
--   line        bigint   its physical line
with

specs as (select * from typed.specs),

final as (
    select
        drive_id,
        belt_state,
        coalesce(source, '') as source,
        tension_min,
        tension_max,
        unit,
        tension_min
        * case unit
            when 'lbf' then 4.4482216152605e0
            when 'kgf' then 9.80665e0
            when 'N' then 1e0
        end as min_n,
        tension_max
        * case unit
            when 'lbf' then 4.4482216152605e0
            when 'kgf' then 9.80665e0
            when 'N' then 1e0
        end as max_n,
        file_id,
        line
    from specs
)

select * from final
