-- What each visit was in the life of its belt.
-- kind:  view
-- grain: one row per service record up to as-of
-- key:   service_id
-- columns:
--   visit_key           bigint   stands for service_id
--   belt_key            bigint   stands for belt_id
--   service_id          varchar
--   belt_id             varchar
--   vehicle_id          varchar
--   visit_no            bigint
--   miles               double   since the fitting, mi; null: unknown age
--   is_run_in_recheck   boolean  the first recheck after the install that counts
--   is_inside           boolean  on or after the day the records are complete from
with

visits as (select * from history.visits),
fittings as (select * from history.fittings),

final as (
    select
        visits.visit_key,
        visits.belt_key,
        visits.service_id,
        visits.belt_id,
        visits.vehicle_id,
        visits.visit_no,
        visits.odometer_mi - fittings.fitted_mi as miles,
        visits.is_run_in_recheck,
        visits.is_inside
    from visits
    inner join fittings using (belt_key)
)

select * from final
