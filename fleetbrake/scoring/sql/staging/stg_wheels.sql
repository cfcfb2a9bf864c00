-- Grain: one row a brake application and wheel. Wheels that never gave a signal are left out: they say nothing.
-- Units: slip 0 to 1, s, m/s.
with
wheels_in as (select * from event_wheels),
events_in as (select * from stg_events),
sensed_once as (
    select e.vehicle_id, w.wheel
    from wheels_in as w
    join events_in as e using (event_id)
    group by all
    having bool_or(coalesce(w.sensed, w.peak_slip is not null))
)

select
    w.event_id,
    w.wheel,
    left(w.wheel, 1) as axle,
    right(w.wheel, 1) as side,
    w.sensed,
    w.lockup,
    coalesce(finite(w.lockup_speed_mps), finite(w.lockup_onset_speed_mps)) as lockup_speed_mps,
    finite(w.lockup_onset_s) as lockup_onset_s,
    finite(w.lockup_onset_speed_mps) as lockup_onset_speed_mps,
    w.modulation_cycles,
    finite(w.steady_slip) as steady_slip,
    finite(w.released_slip) as released_slip,
    finite(w.free_slip) as free_slip,
    finite(w.dropout_s) as dropout_s,
    w.once_a_turn,
    finite(w.dropout_between_s) as dropout_between_s,
    finite(w.watched_between_s) as watched_between_s,
    e.vehicle_id,
    e.started_at,
    e.on_day,
    e.category,
    e.abs_fitted,
    e.surface,
    e.modulation,
    e.abs_flag,
    e.emergency_application,
    e.lockup_above_cutoff,
    e.cutoff_speed_mps,
    e.recording_s,
    coalesce(p.unpaved, false) as unpaved_place
from wheels_in as w
join events_in as e using (event_id)
join sensed_once as s on s.vehicle_id = e.vehicle_id and s.wheel = w.wheel
left join stg_places as p using (cell)
