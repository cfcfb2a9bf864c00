-- Grain: one row a driver, vehicle, category and condition: kilometres driven, from trips of a possible length.
with
trips_in as (
    select t.* from trips as t, run, priors as pr
    where t.started_at < run.until and t.started_at >= run.since
        and t.driver_id is not null and finite(t.distance_km) > 0 and t.distance_km <= pr.trip_most_km
),
vehicles_in as (select * from stg_vehicles),
conditions as (select * from int_conditions)

select
    t.driver_id,
    t.vehicle_id,
    coalesce(v.category, 'unknown') as category,
    coalesce(c.condition, 'dry') as condition,
    sum(t.distance_km order by t.started_at, t.trip_id) as km
from trips_in as t
left join vehicles_in as v using (vehicle_id)
left join conditions as c
    on c.depot = coalesce(v.depot, '') and c.on_day = (t.started_at at time zone 'UTC')::date
group by all
