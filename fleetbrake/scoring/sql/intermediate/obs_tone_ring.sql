-- Grain: one row an application and wheel whose signal could be followed.
-- hit: its slip pulses once a turn of the wheel: a damaged or loose tone ring, which makes the control see slip that is
-- none and act on light braking. The recordings show the cause before, or without, the control's action.
with
wheels_in as (
    select w.* from stg_wheels as w, priors as pr
    where w.once_a_turn is not null and coalesce(w.dropout_s, 0) <= pr.dropout_above_s
)

select
    'modulation_on_light_braking' as indicator,
    'tone_ring' as measure,
    w.vehicle_id,
    w.wheel,
    w.event_id,
    w.started_at,
    w.on_day,
    w.once_a_turn as hit,
    p.share as expected
from wheels_in as w
join indicator_priors as p on p.indicator = 'modulation_on_light_braking' and p.measure = 'tone_ring'
