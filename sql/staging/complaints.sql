-- The noise complaints.
-- kind:  view
-- grain: one row per complaint
-- key:   complaint_id
-- columns:
--   complaint_id varchar
--   date         date
--   vehicle_id   varchar
--   odometer_mi  double   odometer, mi
--   noise        varchar
--   drive_id     varchar  null: the one of the vehicle
--   condition    varchar
--   file_id      integer  file it came from
--   line         bigint   its physical line
with

complaints as (select * from typed.complaints),

final as (
    select
        complaint_id,
        date,
        vehicle_id,
        coalesce(odometer_mi, odometer_km / 1.609344e0) as odometer_mi,
        noise,
        drive_id,
        condition,
        file_id,
        line
    from complaints
)

select * from final
