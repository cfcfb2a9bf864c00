-- Grain: one row a depot (of the vehicle; NULL: none known): kilometres and hard stops, and those of no known driver.
-- Trips that contradict each other about the driver are of no known driver; repeated ones are not counted twice.
-- Units: km.
with
trips_in as (
    select t.*, v.depot from int_driver_trips as t left join stg_vehicles as v using (vehicle_id)
    where t.standing in ('counted', 'no_driver', 'contested')
),
stops_in as (select * from stg_events where by_driver and hard_stop),
driven as (
    select
        depot, sum(km order by trip_id) as km,
        coalesce(sum(km order by trip_id) filter (standing <> 'counted'), 0) as unattributed_km
    from trips_in
    group by all
),
braked as (
    select depot, count(*) as stops, count_if(driver_id is null) as unattributed_stops from stops_in group by all
),
places as (select depot from driven union select depot from braked)

select
    run.as_of,
    p.depot,
    d.km as distance_km,
    d.unattributed_km,
    coalesce(b.stops, 0) as hard_stops,
    coalesce(b.unattributed_stops, 0) as unattributed_hard_stops
from places as p
left join driven as d on d.depot is not distinct from p.depot
left join braked as b on b.depot is not distinct from p.depot
cross join run
order by p.depot
