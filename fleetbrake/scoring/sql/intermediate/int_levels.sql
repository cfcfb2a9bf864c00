-- Grain: one row a series and trip, numbered in time within its series; x is free of what other causes explain.
-- step: to the trip before; so_far: sum of x up to this trip.
with
trips_in as (select *, rowid as trip from int_trip_levels),
steps as (select trip, round(x, 12) as x from level_steps)

select
    t.series, t.cluster, t.peer_group, t.typical, t.on_day, t.last_event, t.events, t.telling,
    s.x,
    (row_number() over by_series)::integer as seq,
    (count(*) over (partition by t.series))::integer as n,
    s.x - lag(s.x) over by_series as step,
    sum(s.x) over by_series as so_far
from trips_in as t
join steps as s using (trip)
window by_series as (
    partition by t.series order by t.last_event rows between unbounded preceding and current row)
