-- Grain: one row a series and trip, numbered in time within its series; x is free of what other causes explain.
-- step: to the trip before. series: number of the series.
with
trips_in as (
    select *, hash(indicator, measure, vehicle_id, wheel, cluster, stood) as trip,
        hash(indicator, measure, vehicle_id, wheel) as series
    from int_trip_levels
),
steps as (select trip, x from level_steps)

select
    t.* exclude (trip, x, driver, area, condition, week),
    round(s.x, 12) as x,
    row_number() over by_series as seq,
    count(*) over (partition by t.series) as n,
    round(s.x, 12) - lag(round(s.x, 12)) over by_series as step
from trips_in as t
join steps as s using (trip)
window by_series as (partition by t.series order by t.last_at, t.cluster, t.stood)
