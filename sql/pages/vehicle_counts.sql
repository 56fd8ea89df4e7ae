-- How many vehicles there are, and how many are complained of more than expected.
-- grain: one row
-- key:   n
-- columns:
--   n       bigint  vehicles
--   n_more  bigint  of them with more complaints than chance explains
with

vehicles as (select * from results.vehicle_results),

final as (
    select
        count(*) as n,
        count(*) filter (where noise_lo > 1e0) as n_more
    from vehicles
)

select * from final
