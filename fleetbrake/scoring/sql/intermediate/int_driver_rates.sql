-- Grain: one row a driver of the register, of a trip or of an event: rates a 1000 km, and whether they make a score.
-- ratio: incidents over those expected of an average driver, shrunk (table driver_posterior). adjusted: that ratio
-- times the fleet's hard stops a 1000 km observed (so are counted, standardised: before shrinking). Units: km, hard stops a 1000 km.
with
counts as (select * from int_driver_counts),
numbers as (select * from driver_posterior),
homes as (select driver_id, any_value(depot order by depot) as depot from drivers group by all),
fleet as (
    select 1000 * (select count_if(counts and on_trip is not null) from int_driver_events)
        / nullif((select sum(observed_km order by trip_id) from int_driver_exposure), 0) as per_1000km
)

select
    c.*, h.depot,
    n.incidents as incidents_on_trips, n.expected, n.ratio, n.ratio_low, n.ratio_high, n.own_weight,
    f.per_1000km as fleet_rate,
    1000 * c.stops / c.km as raw,
    1000 * (c.stops - c.stops_outside) / nullif(c.observed_km, 0) as counted,
    n.ratio * f.per_1000km as adjusted,
    n.ratio_low * f.per_1000km as adjusted_low,
    n.ratio_high * f.per_1000km as adjusted_high,
    -- the average driver's incidents in hard stops, as the counted rate has them
    n.expected * sum(c.stops - c.stops_outside) over () / nullif(sum(n.incidents) over (), 0) as expected_stops,
    n.incidents / nullif(n.expected, 0) * f.per_1000km as standardised,
    coalesce(c.observed_km >= pr.driver_least_km or n.expected >= pr.driver_least_expected, false) as scored
from counts as c
left join numbers as n using (driver_id)
left join homes as h using (driver_id)
cross join fleet as f
cross join priors as pr
