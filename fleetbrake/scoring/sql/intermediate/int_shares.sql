-- Grain: one row a share observation that counts (after the last restart), seen from the newest event backwards:
-- back: its number (1 is the newest), trips and expected_sum: trips and expected hits from here to the newest event.
-- event: its number in stg_context. series: series_number, trip: a number. All is numbers: this table is sorted.
with
observations as (
    select * from obs_lockup
    union all by name select * from obs_axle_order
    union all by name select * from obs_light_modulation
    union all by name select * from obs_tone_ring
    union all by name select * from obs_dropout
),
counting as (
    select
        series_number(measure_number(o.indicator, o.measure), o.vehicle, o.wheel_no) as series,
        c.event, c.on_day, c.cluster as trip, o.hit, coalesce(o.outside_emergency, false) as outside_emergency,
        (1e9 * o.expected)::bigint as expected
    from observations as o
    join stg_context as c using (event)
    left join int_restarted as r on r.vehicle = o.vehicle and r.indicator = o.indicator and r.wheel_no = o.wheel_no
    where c.on_day > coalesce(r.restart_on, '-infinity'::date)
),
numbered as (
    select
        *,
        (row_number() over from_newest)::integer as back,
        sum(expected) over from_newest as expected_sum,
        (trip is distinct from lag(trip) over from_newest)::integer as new_trip
    from counting
    window from_newest as (partition by series order by event desc rows between unbounded preceding and current row)
)

select
    * exclude (new_trip, expected, expected_sum),
    (expected_sum / 1e9)::double as expected_sum,
    (sum(new_trip) over (partition by series order by back rows between unbounded preceding and current row))::integer as trips
from numbered
