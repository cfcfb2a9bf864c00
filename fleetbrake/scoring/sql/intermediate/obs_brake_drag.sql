-- Grain: one row an application, wheel and measure. slip: slip after release (less that before the demand), less the
-- mean of the vehicle's other wheels, or less zero where theirs is negative. free: slip before the demand less that of
-- the axle's other wheel, to be held against its own past: a brake that drags all the time shows before as after. It
-- is the rolling radius too; what tells them apart: wear and lost pressure make the wheel turn faster, not slower, a new
-- pair of tyres moves both wheels of the axle, and work on tyres starts it anew (stg_restarts). Slip 0 to 1.
with
wheels_in as (
    select w.* from stg_wheels as w, priors as pr where coalesce(w.dropout_s, 0) <= pr.dropout_above_s
),
counted as (
    select
        *,
        sum(released_slip) over (partition by event_id) as sum_slip,
        count(*) over (partition by event_id) as wheels
    from wheels_in
    where released_slip is not null
),
pairs as (
    select
        *,
        sum(free_slip) over (partition by event_id, axle) - free_slip as other_slip,
        count(*) over (partition by event_id, axle) as wheels
    from wheels_in
    where free_slip is not null
)

select
    'brake_drag' as indicator,
    'slip' as measure,
    vehicle_id,
    wheel,
    category as peer_group,
    event_id,
    started_at,
    on_day,
    released_slip - greatest(0, (sum_slip - released_slip) / (wheels - 1)) as x,
    0.0 as typical
from counted
where wheels > 1
union all
select
    'brake_drag', 'free', vehicle_id, wheel, concat_ws('/', vehicle_id, wheel), event_id, started_at, on_day,
    free_slip - other_slip, null::double
from pairs
where wheels = 2
