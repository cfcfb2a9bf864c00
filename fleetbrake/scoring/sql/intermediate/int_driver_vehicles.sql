-- Grain: one row a driver and vehicle with kilometres: hard stops, and those expected from the cells alone.
-- A cell is a vehicle category in a depot-day condition; its rate is drawn towards the fleet's where it has few
-- kilometres. ratio: all stops of the driver over all expected, drawn towards 1.
with
exposure as (select * from int_exposure),
events_in as (select * from int_driver_events),
exposed as (select distinct driver_id from exposure),
cell_km as (
    select category, condition, sum(km order by driver_id, vehicle_id) as km from exposure group by all
),
cell_stops as (
    select category, condition, count_if(counts) as stops from events_in semi join exposed using (driver_id) group by all
),
fleet as (
    select (select sum(stops) from cell_stops) / (select sum(km order by category, condition) from cell_km) as rate
),
rates as (
    select
        k.category, k.condition,
        case when fleet.rate > 0
            then (coalesce(s.stops, 0) + pr.cell_weight) / (k.km + pr.cell_weight / fleet.rate) else 0 end as rate
    from cell_km as k
    left join cell_stops as s using (category, condition)
    cross join fleet
    cross join priors as pr
),
driven as (
    select
        e.driver_id, e.vehicle_id, sum(e.km order by e.category, e.condition) as km,
        sum(e.km * r.rate order by e.category, e.condition) as expected
    from exposure as e
    join rates as r using (category, condition)
    group by all
),
braked as (select driver_id, vehicle_id, count_if(counts) as stops from events_in group by all),
braked_anywhere as (select driver_id, count_if(counts) as stops from events_in group by all)

select
    d.driver_id, d.vehicle_id, d.km, d.expected, coalesce(b.stops, 0) as stops, fleet.rate as fleet_rate,
    (pr.shape_default + coalesce(a.stops, 0))
        / (pr.shape_default + sum(d.expected) over by_driver) as ratio
from driven as d
left join braked as b using (driver_id, vehicle_id)
left join braked_anywhere as a on a.driver_id = d.driver_id
cross join fleet
cross join priors as pr
window by_driver as (
    partition by d.driver_id order by d.vehicle_id rows between unbounded preceding and unbounded following
)
