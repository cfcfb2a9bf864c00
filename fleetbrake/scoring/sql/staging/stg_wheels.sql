-- Grain: one row a brake application and wheel: what the wheel did, under the numbers of both; what it shares with the
-- application stands in stg_events. Wheels that never gave a signal are left out: they say nothing.
-- Units: slip 0 to 1, s, m/s.
with
silent as (select event_id, wheel from event_wheels where not coalesce(sensed, peak_slip is not null)),
-- few: only these may never have given a signal
doubted as (select distinct e.vehicle, w.wheel from silent as w join stg_events as e using (event_id)),
heard as (
    select distinct d.vehicle, d.wheel
    from doubted as d
    join stg_events as e using (vehicle)
    join event_wheels as w on w.event_id = e.event_id and w.wheel = d.wheel
    where coalesce(w.sensed, w.peak_slip is not null)
),
never as (select * from doubted anti join heard using (vehicle, wheel))

select
    e.event,
    e.vehicle,
    wheel_number(w.wheel)::utinyint as wheel_no,
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
    finite(w.watched_between_s) as watched_between_s
from event_wheels as w
join stg_events as e using (event_id)
where not exists (select 1 from never as n where n.vehicle = e.vehicle and n.wheel = w.wheel)
