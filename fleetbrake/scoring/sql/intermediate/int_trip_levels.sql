-- Grain: one row a series and trip (first applications after a stand apart): the mean of what its events show.
-- A series is a vehicle, indicator, measure and wheel ('' for the whole vehicle). Events of one trip share load, road
-- and driver: the trip is the unit of evidence. telling: the event (number of stg_context) that lies furthest on the bad
-- side, of equals the newest: x in billionths above, the number in the lower 32 bits.
with
observations as (select * from int_level_observations),
signs as (select indicator, measure, worse_sign from indicator_priors)

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
    count(*) as events,
    (max((1e9 * greatest(-1e9, least(1e9, worse_sign * x)))::hugeint * 4294967296 + event) & 4294967295)::bigint
        as telling
from observations
join signs using (indicator, measure)
group by indicator, measure, vehicle_id, wheel, cluster, stood
