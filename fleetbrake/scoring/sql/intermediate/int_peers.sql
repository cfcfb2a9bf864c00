-- Grain: one row an indicator, measure and peer group with enough vehicles: their middle and how much sound ones differ.
-- spread: robust between-vehicle spread with the sampling error taken out, drawn towards the prior spread tau and
-- never far below it: in a large even fleet a difference too small to matter would otherwise become many standard errors.
with
series as (
    select s.* from int_series as s join indicator_priors as p using (indicator, measure)
    where s.trips_now >= p.least_trips
),
vehicle_values as (
    select indicator, measure, peer_group, vehicle_id, median(now) as now, median(error_now) as error_now
    from series
    group by all
),
groups as (
    select
        indicator, measure, peer_group, count(*) as vehicles, median(now) as centre,
        greatest(0, (1.4826 * mad(now)) ^ 2 - median(error_now ^ 2)) as variance
    from vehicle_values
    group by all
)

select
    g.indicator, g.measure, g.peer_group, g.vehicles, g.centre,
    sqrt(greatest(
        (pr.spread_floor * p.tau) ^ 2, (pr.peer_weight * p.tau ^ 2 + g.vehicles * g.variance) / (pr.peer_weight + g.vehicles)
    )) as spread
from groups as g
join indicator_priors as p using (indicator, measure)
cross join priors as pr
where g.vehicles > pr.least_peers  -- the vehicle itself is one of them
