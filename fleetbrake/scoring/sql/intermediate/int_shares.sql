-- Grain: one row a share observation that counts (after the last restart), seen from the newest event backwards:
-- back: its number (1 is the newest), trips and expected_sum: trips and expected hits from here to the newest event.
with
observations as (
    select * from obs_lockup
    union all by name select * from obs_axle_order
    union all by name select * from obs_light_modulation
    union all by name select * from obs_tone_ring
    union all by name select * from obs_dropout
),
context as (select event_id, cluster from stg_context),
restarts as (select * from stg_restarts),
counting as (
    select o.*, c.cluster, hash(o.indicator, o.measure, o.vehicle_id, o.wheel) as series
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
        sum((1e9 * expected)::bigint) over from_newest as expected_sum,
        (cluster is distinct from lag(cluster) over from_newest)::integer as new_trip
    from counting
    window from_newest as (partition by series order by started_at desc, event_id desc)
)

select
    * exclude (new_trip, expected_sum),
    (expected_sum / 1e9)::double as expected_sum,
    sum(new_trip) over (partition by series order by back) as trips
from numbered
