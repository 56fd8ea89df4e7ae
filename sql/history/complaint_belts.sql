-- The belt that each complaint up to as-of belongs to.
-- grain: one row per complaint up to as-of
-- key:   complaint_id
-- columns:
--   complaint_id  varchar
--   vehicle_id    varchar
--   belt_key      bigint   stands for belt_id
--   belt_id       varchar  null: no belt is known to have been on
--   date          date
--   odometer_mi   double   mi
--   noise         varchar
with

complaints as (select * from staging.complaints),
vehicles as (select * from staging.vehicles),
fittings as (select * from history.fittings),
as_of as (select * from history.as_of),

placed as (
    select
        complaints.complaint_id,
        complaints.vehicle_id,
        vehicles.vehicle_no,
        coalesce(complaints.drive_id, vehicles.drive_id) as drive_id,
        complaints.date,
        complaints.odometer_mi,
        complaints.noise
    from complaints
    inner join vehicles using (vehicle_id)
    inner join as_of on complaints.date <= as_of.as_of
),

-- on the very mile of a change two belts were on: the complaint is of the first
candidates as (
    select
        placed.complaint_id,
        fittings.belt_key,
        fittings.belt_id,
        row_number() over (
            partition by placed.complaint_id
            order by fittings.fitting_no asc
        ) as choice
    from placed
    inner join fittings
        on
            placed.vehicle_no = fittings.vehicle_no
            and placed.drive_id = fittings.drive_id
            and placed.odometer_mi >= coalesce(fittings.fitted_mi, 0e0)
            and placed.odometer_mi <= coalesce(fittings.ended_mi, 1e300)
),

final as (
    select
        placed.complaint_id,
        placed.vehicle_id,
        candidates.belt_key,
        candidates.belt_id,
        placed.date,
        placed.odometer_mi,
        placed.noise
    from placed
    left join candidates
        on placed.complaint_id = candidates.complaint_id and candidates.choice = 1
)

select * from final
