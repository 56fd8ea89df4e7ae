-- The running belts that may well be under their range now, and why.
-- grain: a running belt with p_under_now of 0.2 or more
-- key:   belt_id
-- columns:
--   rank            bigint   1 = first to see
--   belt_id         varchar  the belt
--   vehicle_id      varchar  the vehicle
--   depot           varchar  its depot
--   reason          varchar  first that applies
--   p_under_now     double   probability that it is under now
--   under_mi        double   miles under its range in 30 days, expected; the rank
--   last_service_id varchar  last record with a reading
--   detail          varchar  the reason in words
with

belt_now as (select * from fitted.belt_now),
in_force as (select * from marts.settings_in_force),
fittings as (select * from history.fittings),
vehicles as (select * from staging.vehicles),
settings as (select * from typed.settings),
running as (select * from history.running_belts),

daily as (
    select
        cast(sum(cast(floor(1e3 * daily_mi) as bigint)) as double) / 1e3
        / nullif(count(*), 0) as mean_mi
    from running
    where daily_mi > 0e0
),

reasoned as (
    select
        belt_now.belt_id,
        fittings.vehicle_id,
        vehicles.depot,
        belt_now.p_under_now,
        belt_now.p_under_now
        * 30e0 * coalesce(nullif(running.daily_mi, 0e0), daily.mean_mi, 0e0)
            as under_mi,
        in_force.last_service_id,
        in_force.set_date,
        in_force.set_technician_id,
        in_force.last_gauge_id,
        in_force.true_share,
        in_force.shown_share,
        in_force.found_date,
        in_force.found_share,
        belt_now.drift_pct_per_1000mi,
        belt_now.model_drift_pct_per_1000mi,
        belt_now.is_losing_fast,
        belt_now.p_under_as_shown,
        coalesce(belt_now.p_under_as_shown < settings.watch_p, false) as is_misled,
        100e0 * (1e0 / in_force.last_correction - 1e0) as gauge_over_pct,
        case
            when in_force.shown_share < 1e0 then 'left_under'
            when in_force.is_set_at_install and not in_force.is_run_in_checked
                then 'no_recheck'
            when belt_now.p_under_as_shown < settings.watch_p then 'gauge_reads_high'
            when in_force.is_wrong_range and in_force.true_share < 1e0
                then 'wrong_range'
            when in_force.found_share < 1e0 then 'found_under_not_adjusted'
            when belt_now.is_losing_fast then 'losing_fast'
            else 'due'
        end as reason
    from belt_now
    inner join in_force using (belt_id)
    inner join running on belt_now.belt_id = running.belt_id
    inner join fittings using (belt_id)
    inner join vehicles on fittings.vehicle_id = vehicles.vehicle_id
    inner join settings on true
    inner join daily on true
    where belt_now.p_under_now >= settings.watch_p
),

worded as (
    select
        *,
        case
            when abs(shown_share - 1e0) < 5e-3 then 'less than 1'
            else format('{:.0f}', least(abs(100e0 * (shown_share - 1e0)), 1e15))
        end as shown_under,
        case
            when abs(true_share - 1e0) < 5e-3 then 'less than 1'
            else format('{:.0f}', least(abs(100e0 * (true_share - 1e0)), 1e15))
        end as truly_under,
        case
            when abs(found_share - 1e0) < 5e-3 then 'less than 1'
            else format('{:.0f}', least(abs(100e0 * (found_share - 1e0)), 1e15))
        end as found_under,
        format('{:.0f}', least(gauge_over_pct, 1e15)) as gauge_over
    from reasoned
),

final as (
    select
        row_number() over (
            order by
                under_mi desc,
                p_under_now desc,
                coalesce(true_share, found_share) asc,
                belt_id asc
        ) as rank,
        belt_id,
        vehicle_id,
        depot,
        reason,
        p_under_now,
        under_mi,
        last_service_id,
        case reason
            when 'left_under'
                then
                    'Set on ' || cast(set_date as varchar)
                    || ' by ' || set_technician_id
                    || ' to a reading ' || shown_under
                    || ' % under the minimum of the range that was applied.'
            when 'no_recheck'
                then
                    'Fitted on ' || cast(set_date as varchar)
                    || '; no check after run-in is recorded.'
            when 'gauge_reads_high'
                then 'By what its gauge showed it would not be listed.'
            when 'wrong_range'
                then
                    'Set on ' || cast(set_date as varchar)
                    || ' to the range for the other state of the belt; '
                    || truly_under || ' % under the one that applies.'
            when 'found_under_not_adjusted'
                then
                    'Found ' || found_under || ' % under the minimum on '
                    || cast(found_date as varchar) || ' and not set again.'
            when 'losing_fast'
                then
                    'Loses tension '
                    || coalesce(
                        cast(
                            cast(
                                floor(
                                    10e0 * drift_pct_per_1000mi
                                    / case
                                        when model_drift_pct_per_1000mi > 0e0
                                            then model_drift_pct_per_1000mi
                                    end + 0.5e0
                                ) as bigint
                            ) / 1e1 as varchar
                        )
                        || ' times as fast as its model.',
                        'though its model does not.'
                    )
            else 'Set in range; it has run far enough since to fall under it.'
        end
        || case
            when is_misled
                then
                    ' Gauge ' || coalesce(last_gauge_id, 'not recorded') || ' reads '
                    || gauge_over || ' % high on this span.'
            else ''
        end as detail
    from worded
)

select * from final
