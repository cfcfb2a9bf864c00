-- Grain: one row a share observation that counts (after the last restart), seen from the newest event backwards:
-- back: its number (1 is the newest), trips and expected_sum: trips and expected hits from here to the newest event.
-- event: its number in stg_context. series, trip: numbers. What is sorted here is numbers alone: the names of a series
-- come to it afterwards.
with
observations as (
    select * from obs_lockup
    union all by name select * from obs_axle_order
    union all by name select * from obs_light_modulation
    union all by name select * from obs_tone_ring
    union all by name select * from obs_dropout
),
context as (select event_id, event, hash(cluster) as trip from stg_context),
restarts as (select * from stg_restarts),
counting as (
    select
        hash(o.indicator, o.measure, o.vehicle_id, o.wheel) as series,
        o.started_at, o.on_day, o.hit, o.outside_emergency, (1e9 * o.expected)::bigint as expected, c.event, c.trip
    from observations as o
    join context as c using (event_id)
    where not exists (
        select 1 from restarts as r
        where r.vehicle_id = o.vehicle_id and r.indicator = o.indicator and o.on_day <= r.restart_on
            and (r.wheel = '' or o.wheel = '' or left(r.wheel, 1) = left(o.wheel, 1))
    )
),
numbered as (
    select
        *,
        row_number() over from_newest as back,
        sum(expected) over from_newest as expected_sum,
        (trip is distinct from lag(trip) over from_newest)::integer as new_trip
    from counting
    window from_newest as (partition by series order by event desc)
),
summed as (
    select
        * exclude (new_trip, expected, expected_sum),
        (expected_sum / 1e9)::double as expected_sum,
        sum(new_trip) over (partition by series order by back) as trips
    from numbered
),
names as (
    select distinct indicator, measure, vehicle_id, wheel, hash(indicator, measure, vehicle_id, wheel) as series
    from observations
)

select n.indicator, n.measure, n.vehicle_id, n.wheel, s.*
from summed as s
join names as n using (series)
