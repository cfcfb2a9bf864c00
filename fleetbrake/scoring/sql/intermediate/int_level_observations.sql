-- Grain: one row a level observation that counts, with what it shares with others: recorded as the vehicle's newest
-- events are, and after the last restart. Numbers in place of names (series_number). A view: read once, by the trips.
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
context as (
    -- what a combination shows is told of its trailers as well, which may be in other slices
    select * exclude (vehicle, coupled) from stg_context where newest_setting and (coupled or in_part(vehicle))
)

select
    series_number(measure_number(o.indicator, o.measure), o.vehicle, o.wheel_no) as series, o.peer_group, o.typical, o.x, c.*
from observations as o
join context as c using (event)
left join int_restarted as r on r.vehicle = o.vehicle and r.indicator = o.indicator and r.wheel_no = o.wheel_no
where in_slice(o.indicator, o.measure) and in_part(o.vehicle) and isfinite(o.x) and c.on_day > coalesce(r.restart_on, '-infinity'::date)
