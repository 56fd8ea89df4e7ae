-- How the belts of each drive and model ended, counted.
-- grain: one row per drive, model, kind of end and reason
-- key:   drive_id, model, end_kind, removal_reason
-- columns:
--   drive_id        varchar
--   model           varchar
--   end_kind        varchar  failed or censored
--   removal_reason  varchar  null: still on
--   n               bigint   belts
with

belts as (select * from results.belts),

final as (
    select
        drive_id,
        model,
        end_kind,
        removal_reason,
        count(*) as n
    from belts
    group by drive_id, model, end_kind, removal_reason
)

select * from final
