-- Grain: one row an application of a known driver. counts: a hard stop that the driver asked for; automatic emergency
-- braking, cruise and stability control and hold are not the driver's. A source not recorded is taken as the driver.
-- begins: the first hard stop of its incident. on_trip: the counted trip it belongs to: the one in whose time it began,
-- else the driver's longest of that day in that vehicle, or in one not named; NULL: outside of the driver's trips.
with
events_in as (
    select *, by_driver and coalesce(hard_stop, false) as counts from stg_events where driver_id is not null
),
trips_in as (select * from int_driver_trips),
roads as (select * from int_driver_roads),
of_day as (
    select driver_id, coalesce(vehicle_id, '') as vehicle_id, on_day, trip_id
    from roads
    qualify row_number() over (
        partition by driver_id, coalesce(vehicle_id, ''), on_day order by km desc, trip_id) = 1
),
stops as (
    select
        event,
        incident is null or coalesce(
            incident <> lag(incident) over by_time
            or started_at - lag(started_at) over by_time > to_microseconds((1e6 * pr.incident_s)::bigint),
            true) as begins
    from events_in cross join priors as pr
    where counts
    window by_time as (partition by driver_id order by event)
)

select
    e.event, e.driver_id, e.vehicle_id, e.on_day, e.counts,
    not e.by_driver and coalesce(e.hard_stop, false) as automatic,
    coalesce(s.begins, false) as begins,
    case
        when t.standing = 'counted' and t.driver_id = e.driver_id then t.trip_id
        when t.standing in ('contested', 'impossible') then null
        else coalesce(d.trip_id, n.trip_id)
    end as on_trip
from events_in as e
left join stops as s using (event)
left join trips_in as t on t.trip_id = e.trip_id
left join of_day as d on d.driver_id = e.driver_id and d.vehicle_id = e.vehicle_id and d.on_day = e.on_day
left join of_day as n on n.driver_id = e.driver_id and n.vehicle_id = '' and n.on_day = e.on_day
