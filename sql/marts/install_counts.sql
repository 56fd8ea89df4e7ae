-- How many installs of each month and group were left under their range.
-- grain: one row per grouping, group and month
-- key:   grouped_by, value, month
-- columns:
--   grouped_by varchar  all, depot, model, shop or gauge
--   value      varchar  the group
--   month      date     first day of the month
--   n          bigint   installs with a tension and a range
--   under      bigint   of them left under
--   p_under    double   sum of their probabilities of being under
with

installs as (select * from marts.install_tension),

judged as (
    select
        depot,
        model,
        shop,
        gauge_id,
        cast(date_trunc('month', install_date) as date) as month,
        case when band in ('loose', 'under') then 1 else 0 end as under,
        p_under
    from installs
    where band <> 'unknown'
),

grouped as (
    select
        'all' as grouped_by,
        'all' as value,
        month,
        under,
        p_under
    from judged
    union all
    select
        'depot' as grouped_by,
        depot as value,
        month,
        under,
        p_under
    from judged
    union all
    select
        'model' as grouped_by,
        model as value,
        month,
        under,
        p_under
    from judged
    union all
    select
        'shop' as grouped_by,
        shop as value,
        month,
        under,
        p_under
    from judged
    union all
    select
        'gauge' as grouped_by,
        coalesce(gauge_id, 'not recorded') as value,
        month,
        under,
        p_under
    from judged
),

final as (
    select
        grouped_by,
        value,
        month,
        count(*) as n,
        cast(sum(under) as bigint) as under,
        cast(sum(cast(p_under * 1e9 as bigint)) as double) / 1e9 as p_under
    from grouped
    group by grouped_by, value, month
)

select * from final
