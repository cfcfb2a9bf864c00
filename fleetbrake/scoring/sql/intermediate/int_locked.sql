-- Grain: one row an application and wheel of the wheels that lockups are read from: all of an emergency application, all
-- that locked, and all of a vehicle without anti-lock control. Few: what their application says of them stands here too.
-- unpaved_place: others brake there on loose ground. Times in s, speeds in m/s.
with
telling as (
    select event from stg_events where emergency_application or not abs_fitted
    union
    select event from stg_wheels where lockup
),
wheels_in as (select * from stg_wheels semi join telling using (event))

select
    w.event, w.wheel_no, wheel_name(w.wheel_no) as wheel, (w.wheel_no // 2)::varchar as axle,
    w.sensed, w.lockup, w.lockup_speed_mps, w.lockup_onset_s, w.lockup_onset_speed_mps, w.modulation_cycles,
    w.vehicle, e.vehicle_id, e.event_id, e.started_at, e.on_day, e.category, e.abs_fitted, e.surface, e.modulation,
    e.abs_flag, e.emergency_application, e.lockup_above_cutoff, e.cutoff_speed_mps,
    coalesce(p.unpaved, false) as unpaved_place
from wheels_in as w
join stg_events as e using (event)
left join stg_places as p using (cell)
where e.emergency_application or w.lockup or not e.abs_fitted
