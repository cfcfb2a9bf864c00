-- Grain: one row a series and trip (its row in int_trip_levels), as numbers alone: x, the middle of its series, and what
-- may explain x besides the vehicle: the peer group's (peers) week, condition, stand, area and week, or driver (0: not
-- known). Numbers, and small ones, since this table is worked through and written anew once for every factor.
with
trips_in as (
    select *, rowid::uinteger as trip, series_measure(series)::utinyint as measure_no from int_trip_levels
),
middles as (
    select series, median(x) as centre
    from int_trip_levels
    group by series
)

select
    t.trip,
    series_vehicle(t.series) as vehicle,
    t.x,
    m.centre,
    t.measure_no,
    hash(t.measure_no, t.peer_group) as peers,
    date_trunc('week', t.on_day)::date as week,
    t.condition,
    t.stood,
    t.area,
    t.driver
from trips_in as t
join middles as m using (series)
