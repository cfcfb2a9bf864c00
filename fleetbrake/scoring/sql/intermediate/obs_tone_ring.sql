-- Grain: one row an application and wheel whose signal could be followed.
-- hit: its slip pulses once a turn of the wheel: a damaged or loose tone ring, which makes the control see slip that is
-- none and act on light braking. The recordings show the cause before, or without, the control's action.
with
wheels_in as (
    select w.event, w.wheel_no, w.once_a_turn
    from stg_wheels as w, priors as pr
    where w.once_a_turn is not null and coalesce(w.dropout_s, 0) <= pr.dropout_above_s
)

select
    'modulation_on_light_braking' as indicator,
    'tone_ring' as measure,
    e.vehicle_id,
    e.vehicle,
    wheel_name(w.wheel_no) as wheel,
    w.wheel_no,
    e.event_id,
    w.event,
    e.started_at,
    e.on_day,
    w.once_a_turn as hit,
    p.share as expected
from wheels_in as w
join stg_events as e using (event)
join indicator_priors as p on p.indicator = 'modulation_on_light_braking' and p.measure = 'tone_ring'
