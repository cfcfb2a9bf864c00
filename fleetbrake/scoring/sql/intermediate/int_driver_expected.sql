-- Grain: one row a driver: hard stops, and those an average driver would have had in the same vehicles and
-- conditions (indirect standardisation). On top of the cells a factor for each vehicle: hard stops of its other
-- drivers over what was expected of them, their own habits included, drawn towards 1 (gamma-Poisson). A driver's own
-- stops are left out, so that nobody excuses himself; a vehicle without another driver therefore has the factor 1.
with
pairs as (select * from int_driver_vehicles),
others as (
    select
        *,
        sum(stops) over by_vehicle - stops as stops_of_others,
        sum(expected * ratio) over by_vehicle - expected * ratio as expected_of_others
    from pairs
    window by_vehicle as (
        partition by vehicle_id order by driver_id rows between unbounded preceding and unbounded following
    )
),
driven as (
    select
        o.driver_id,
        sum(o.km order by o.vehicle_id) as km,
        sum(o.expected * case when o.vehicle_id is null then 1 else (pr.vehicle_weight + o.stops_of_others)
            / (pr.vehicle_weight + greatest(0, o.expected_of_others)) end order by o.vehicle_id) as expected,
        any_value(o.fleet_rate) as fleet_rate
    from others as o
    cross join priors as pr
    group by o.driver_id
),
braked as (
    select
        driver_id, count(*) as applications, count_if(counts) as stops,
        count(distinct incident) filter (counts and incident is not null)
        + count_if(counts and incident is null) as incidents
    from int_driver_events
    group by all
)

select
    coalesce(d.driver_id, b.driver_id) as driver_id,
    d.km, d.expected, 1000 * d.fleet_rate as fleet_rate_per_1000km,
    coalesce(d.km >= pr.driver_least_km or d.expected >= pr.driver_least_expected, false) as enough,
    coalesce(b.applications, 0) as applications, coalesce(b.stops, 0) as stops, coalesce(b.incidents, 0) as incidents
from driven as d
full join braked as b using (driver_id)
cross join priors as pr
order by driver_id
