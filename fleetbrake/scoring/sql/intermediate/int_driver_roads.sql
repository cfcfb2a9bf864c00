-- Grain: one row a counted trip of a driver, with the surroundings that the regression of counts knows. vehicle: ''
-- where not named. fault: which vehicle and day, from the day on which a flagged finding of it began, else ''.
-- traffic: few, usual, many brake applications a km against the fleet; unknown where most trips do not tell.
with
trips_in as (select * from int_driver_trips where standing = 'counted'),
vehicles_in as (select * from stg_vehicles),
conditions as (select * from int_conditions),
flags as (select * from int_flagged_since),
fleet as (
    select
        sum(brake_applications) / sum(km order by trip_id) filter (brake_applications is not null) as per_km,
        sum(km order by trip_id) filter (brake_applications is not null) / sum(km order by trip_id) as known
    from trips_in
)

select
    t.trip_id, t.driver_id, t.vehicle_id, t.on_day, t.km, t.brake_applications,
    coalesce(t.vehicle_id, '') as vehicle,
    case when t.on_day >= g.flagged_since then concat(t.vehicle_id, chr(31), g.flagged_since) else '' end as fault,
    coalesce(v.category, 'unknown') as category,
    coalesce(c.condition, 'dry') as condition,
    coalesce(v.depot, '') as area,
    case
        when f.known < pr.known_share or t.brake_applications is null or f.per_km = 0 then 'unknown'
        when t.brake_applications < t.km * f.per_km / pr.traffic_factor then 'few'
        when t.brake_applications > t.km * f.per_km * pr.traffic_factor then 'many'
        else 'usual'
    end as traffic
from trips_in as t
left join vehicles_in as v using (vehicle_id)
left join conditions as c on c.depot = coalesce(v.depot, '') and c.on_day = t.on_day
left join flags as g using (vehicle_id)
cross join fleet as f
cross join priors as pr
