-- Grain: one row a series and trip (first applications after a stand apart): the mean of what its events show.
-- A series is a vehicle, indicator, measure and wheel ('' for the whole vehicle). Events of one trip share load, road
-- and driver: the trip is the unit of evidence.
with
observations as (select * from int_level_observations)

select
    indicator, measure, vehicle_id, wheel, cluster, stood,
    min(peer_group) as peer_group,
    min(typical) as typical,
    min(driver) as driver,
    min(area) as area,
    min(condition) as condition,
    min(week) as week,
    min(on_day) as on_day,
    max(started_at) as last_at,
    round(avg(x), 9) as x,
    count(*) as events
from observations
group by indicator, measure, vehicle_id, wheel, cluster, stood
