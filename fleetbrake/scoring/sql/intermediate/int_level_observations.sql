-- Grain: one row a level observation that counts, with what it shares with others: recorded as the vehicle's newest
-- events are, and after the last restart. A view: read once, by the trips.
with
observations as (
    select * from obs_effectiveness
    union all by name select * from obs_side_imbalance
    union all by name select * from obs_side_pull
    union all by name select * from obs_brake_drag
    union all by name select * from obs_drag_vehicle
    union all by name select * from obs_slow_response
    union all by name select * from obs_brake_fade
    union all by name select * from obs_fade_series
),
context as (select * exclude (vehicle_id) from stg_context where newest_setting),
restarts as (
    -- '' stands for every wheel of the vehicle, a wheel for both of its axle
    select vehicle_id, indicator, left(wheel, 1) as axle, max(restart_on) as restart_on from stg_restarts group by all
)

select o.*, c.* exclude (event_id)
from observations as o
join context as c using (event_id)
left join restarts as w on w.vehicle_id = o.vehicle_id and w.indicator = o.indicator and w.axle = ''
left join restarts as a
    on a.vehicle_id = o.vehicle_id and a.indicator = o.indicator and a.axle = left(o.wheel, 1) and o.wheel <> ''
left join (
    select vehicle_id, indicator, max(restart_on) as restart_on from restarts group by all
) as any_axle on any_axle.vehicle_id = o.vehicle_id and any_axle.indicator = o.indicator and o.wheel = ''
where isfinite(o.x) and o.on_day > coalesce(w.restart_on, '-infinity'::date)
    and o.on_day > coalesce(a.restart_on, '-infinity'::date)
    and o.on_day > coalesce(any_axle.restart_on, '-infinity'::date)
