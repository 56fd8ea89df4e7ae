-- What is known of how long each belt ran, as the life model reads it.
-- grain: one row per belt whose life is in the life model
-- key:   belt_id
-- columns:
--   belt_id            varchar
--   model              varchar
--   band               varchar  install tension against the range
--   duty               varchar
--   alternator_pulley  varchar
--   relative           double   install tension: 0 at the minimum, 1 at the maximum
--   reason             varchar  why it came off; null: still running
--   ending             varchar  exact, interval, censored or running
--   entry_mi           double   miles since fitting when it came under observation
--   lower_mi           double   it lived at least, mi
--   upper_mi           double   at most; running: its miles at the last odometer
with

belts as (select * from results.belts),
vehicles as (select * from staging.vehicles),
drives as (select * from staging.drives),
installs as (select * from marts.install_tension),

final as (
    select
        belts.belt_id,
        belts.model,
        belts.band,
        vehicles.duty,
        drives.alternator_pulley,
        installs.relative,
        belts.removal_reason as reason,
        case
            when belts.removal_reason is null then 'running'
            when belts.end_kind <> 'failed' then 'censored'
            when belts.removal_reason = 'broken' then 'exact'
            else 'interval'
        end as ending,
        belts.entry_mi,
        greatest(belts.life_lo_mi, belts.entry_mi) as lower_mi,
        greatest(
            case
                when belts.removal_reason is null then belts.last_odometer_mi
                else coalesce(belts.life_hi_mi, belts.life_lo_mi)
            end,
            belts.life_lo_mi,
            belts.entry_mi
        ) as upper_mi
    from belts
    inner join vehicles using (vehicle_id)
    left join drives on belts.drive_id = drives.drive_id
    left join installs using (belt_id)
    where belts.entry_mi is not null
)

select * from final
