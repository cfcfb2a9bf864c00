-- Grain: one row a level observation that counts (after the last restart), numbered in time within its series.
-- A series is a vehicle, indicator and wheel ('' for the whole vehicle).
with
observations as (
    select * from obs_effectiveness
    union all by name select * from obs_side_imbalance
    union all by name select * from obs_brake_drag
    union all by name select * from obs_slow_response
    union all by name select * from obs_brake_fade
),
restarts as (select * from stg_restarts),
counting as (
    select * from observations as o
    where not exists (
        select 1 from restarts as r
        where r.vehicle_id = o.vehicle_id and r.indicator = o.indicator and o.on_day <= r.restart_on
            and (r.wheel = '' or o.wheel = '' or left(r.wheel, 1) = left(o.wheel, 1))
    )
)

select
    *,
    row_number() over (partition by vehicle_id, indicator, wheel order by started_at, event_id) as seq,
    count(*) over (partition by vehicle_id, indicator, wheel) as n,
    x - lag(x) over (partition by vehicle_id, indicator, wheel order by started_at, event_id) as step
from counting
