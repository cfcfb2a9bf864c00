-- Grain: measure control: one row an application and wheel whose lockup and cycles could be decided: every emergency
-- application, and every hit at any other demand: a lockup above the cut-off speed speaks of health however hard the
-- pedal was pressed. hit: locked above the cut-off speed with fewer than two cycles; where the wheel's cycles are
-- unknown the event's answer or the vehicle's own flag counts. Loose ground is left out, also a place where others
-- brake on it: there a locked wheel stops shorter. An application
-- in which a wheel locked and it could not be decided how is no evidence of sound control for any wheel. Vehicles without anti-lock control are judged by obs_axle_order.
with
wheels_in as (
    select *, coalesce(emergency_application, false) as emergency
    from int_locked
    where surface <> 'loose' and abs_fitted and coalesce(sensed, true) and (emergency_application or lockup)
),
judged as (
    select
        *,
        case
            when not lockup or not lockup_above_cutoff or lockup_speed_mps < cutoff_speed_mps then false
            when lockup and lockup_above_cutoff and lockup_speed_mps is not null
                then coalesce(modulation_cycles < 2, not coalesce(modulation, abs_flag))
        end as hit,
        coalesce(bool_or(lockup and hit is null) over (partition by event), false) as undecided
    from wheels_in
)

select
    'lockup_without_modulation' as indicator,
    'control' as measure,
    j.vehicle_id,
    j.vehicle,
    j.wheel,
    j.wheel_no,
    j.event_id,
    j.event,
    j.started_at,
    j.on_day,
    j.hit,
    not j.emergency as outside_emergency,
    p.share as expected
from judged as j
join indicator_priors as p on p.indicator = 'lockup_without_modulation' and p.measure = 'control'
where (j.hit or j.emergency and j.hit is not null and not j.undecided) and not j.unpaved_place
