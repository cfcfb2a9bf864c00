-- Grain: one row a driver of a trip or an event: kilometres, and what was counted, whatever the score makes of it.
-- observed_km: where a hard stop would have been recorded. stops_outside: hard stops outside of the counted trips; they stand in the count, not in the adjusted rate.
-- with_applications_km: of trips that tell their brake applications.
with
driven as (
    select
        driver_id, sum(km order by trip_id) as km, sum(observed_km order by trip_id) as observed_km,
        sum(brake_applications) as trip_applications,
        sum(km order by trip_id) filter (brake_applications is not null) as with_applications_km
    from int_driver_exposure
    group by all
),
braked as (
    select
        driver_id, count(*) as applications, count_if(counts) as stops, count_if(begins) as incidents,
        count_if(automatic) as automatic_stops, count_if(counts and on_trip is null) as stops_outside
    from int_driver_events
    group by all
),
odd as (
    select driver_id, count_if(slip) as trips_left_out, count_if(standing = 'contested') as trips_contested
    from int_driver_trips
    where driver_id is not null
    group by all
),
everybody as (
    select driver_id from driven
    union select driver_id from braked
    union select driver_id from odd
    union select driver_id from drivers where driver_id is not null
)

select
    e.driver_id, d.* exclude (driver_id),
    coalesce(b.applications, 0) as applications, coalesce(b.stops, 0) as stops,
    coalesce(b.incidents, 0) as incidents, coalesce(b.automatic_stops, 0) as automatic_stops,
    coalesce(b.stops_outside, 0) as stops_outside,
    coalesce(o.trips_left_out, 0) as trips_left_out, coalesce(o.trips_contested, 0) as trips_contested
from everybody as e
left join driven as d using (driver_id)
left join braked as b using (driver_id)
left join odd as o using (driver_id)
