-- The complaints made while their belt was under observation; one that opened it not.
-- grain: one row per such complaint
-- key:   complaint_id
-- columns:
--   complaint_id  varchar
--   belt_id       varchar
--   model         varchar
--   band          varchar
--   noise         varchar
--   miles         double   since fitting, mi; null: unknown age
with

complaint_belts as (select * from history.complaint_belts),
exposures as (select * from history.exposures),
belts as (select * from results.belts),

final as (
    select
        complaint_belts.complaint_id,
        complaint_belts.belt_id,
        belts.model,
        belts.band,
        complaint_belts.noise,
        complaint_belts.odometer_mi - exposures.fitted_mi as miles
    from complaint_belts
    inner join exposures using (belt_key)
    inner join belts on complaint_belts.belt_id = belts.belt_id
    where
        complaint_belts.odometer_mi <= exposures.to_mi
        and (
            complaint_belts.odometer_mi > exposures.from_mi
            or complaint_belts.odometer_mi = exposures.fitted_mi
        )
)

select * from final
