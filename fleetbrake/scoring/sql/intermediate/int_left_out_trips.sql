-- Grain: one row a driver with trips whose distance cannot be one: zero, negative, or longer than a trip can be.
select t.driver_id, count(*) as trips_left_out
from trips as t
cross join run
cross join priors as pr
where t.started_at < run.until and t.started_at >= run.since and t.driver_id is not null
    and t.distance_km is not null and not coalesce(finite(t.distance_km) > 0 and t.distance_km <= pr.trip_most_km, false)
group by t.driver_id
