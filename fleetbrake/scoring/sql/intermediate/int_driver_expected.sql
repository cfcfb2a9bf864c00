-- Grain: one row a driver: hard stops, and those an average driver would have had in the same cells
-- (indirect standardisation). A cell's rate is drawn towards the fleet's where it has few kilometres.
with
exposure as (select * from int_exposure),
events_in as (select * from int_driver_events),
exposed as (select distinct driver_id from exposure),
cell_km as (select category, condition, sum(km order by driver_id) as km from exposure group by all),
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
        e.driver_id, sum(e.km order by e.category, e.condition) as km,
        sum(e.km * r.rate order by e.category, e.condition) as expected
    from exposure as e
    join rates as r using (category, condition)
    group by all
),
braked as (
    select
        driver_id, count(*) as applications, count_if(counts) as stops,
        count(distinct incident) filter (counts and incident is not null)
        + count_if(counts and incident is null) as incidents
    from events_in
    group by all
)

select
    coalesce(d.driver_id, b.driver_id) as driver_id,
    d.km, d.expected, 1000 * fleet.rate as fleet_rate_per_1000km,
    coalesce(b.applications, 0) as applications, coalesce(b.stops, 0) as stops, coalesce(b.incidents, 0) as incidents
from driven as d
full join braked as b using (driver_id)
cross join fleet
order by driver_id
