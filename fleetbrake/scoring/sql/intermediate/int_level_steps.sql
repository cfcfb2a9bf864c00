-- Grain: one row a series and trip, as numbers alone: x, the middle of its series, and the level of each factor that
-- may explain x besides the vehicle. Numbers, since this table is worked through once for every factor.
with
trips_in as (select * from int_trip_levels),
middles as (
    select indicator, measure, vehicle_id, wheel, median(x) as centre
    from trips_in
    group by indicator, measure, vehicle_id, wheel
)

select
    hash(t.indicator, t.measure, t.vehicle_id, t.wheel, t.cluster, t.stood) as trip,
    hash(t.vehicle_id) as vehicle,
    t.x,
    m.centre,
    p.sigma,
    hash(t.indicator, t.measure, t.peer_group, t.week) as week,
    hash(t.indicator, t.measure, t.peer_group, t.condition) as condition,
    hash(t.indicator, t.measure, t.peer_group, t.stood) as stood,
    hash(t.indicator, t.measure, t.peer_group, t.area, t.week) as area,
    case when t.driver <> '' then hash(t.indicator, t.measure, t.driver) end as driver
from trips_in as t
join middles as m using (indicator, measure, vehicle_id, wheel)
join indicator_priors as p using (indicator, measure)
