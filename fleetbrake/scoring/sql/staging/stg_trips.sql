-- Grain: one row a trip of the register that began before the end of the day.
-- trailers: the units towed, in order of name, none twice; an empty list where the register names none.
-- Units: km; a distance that no trip can have is NULL.
with
trips_in as (
    select t.* from trips as t, run
    where t.trip_id is not null and t.vehicle_id is not null and t.started_at < run.until
)

select
    t.trip_id,
    t.vehicle_id,
    t.started_at,
    t.ended_at,
    (coalesce(t.ended_at, t.started_at) at time zone 'UTC')::date as ended_on,
    case when t.distance_km >= 0 and t.distance_km <= pr.trip_most_km then t.distance_km end as distance_km,
    list_sort(list_distinct(list_filter(
        list_transform(string_split(coalesce(t.trailer_ids, ''), '+'), lambda u: trim(u)),
        lambda u: u <> '' and u <> t.vehicle_id
    ))) as trailers
from trips_in as t
cross join priors as pr
