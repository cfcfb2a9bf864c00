-- Grain: one row a series and trip (first applications after a stand apart): the mean of what its events show.
-- A series is a vehicle, measure of an indicator and wheel (series_number). Events of one trip share load, road
-- and driver: the trip is the unit of evidence. telling: the event (number of stg_context) that lies furthest on the bad
-- side, of equals the newest: x in billionths above, the number in the lower 32 bits.
with
observations as (select * from int_level_observations),
signs as (select number, worse_sign from indicator_priors)

select
    o.series, o.cluster, o.stood,
    min(o.peer_group) as peer_group,
    min(o.typical) as typical,
    min(o.driver) as driver,
    min(o.area) as area,
    min(o.condition) as condition,
    min(o.on_day) as on_day,
    max(o.event) as last_event,
    round(avg(o.x), 9) as x,
    count(*)::integer as events,
    (max((1e9 * greatest(-1e9, least(1e9, s.worse_sign * o.x)))::hugeint * 4294967296 + o.event) & 4294967295)::uinteger
        as telling
from observations as o
join signs as s on s.number = series_measure(o.series)
group by o.series, o.cluster, o.stood
