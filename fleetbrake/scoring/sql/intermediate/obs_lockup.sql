-- Grain: one row an emergency application and wheel whose lockup and cycles could be decided.
-- hit: locked above the cut-off speed with fewer than two cycles. Loose surface is left out: there a locked wheel
-- stops shorter. Vehicles without anti-lock control are left out: nothing should have acted.
with
wheels_in as (
    select * from stg_wheels
    where emergency_application and surface <> 'loose' and abs_fitted and coalesce(sensed, true)
),
judged as (
    select
        *,
        case
            when not lockup or not lockup_above_cutoff or lockup_speed_mps < cutoff_speed_mps then false
            when lockup and lockup_above_cutoff and lockup_speed_mps is not null then modulation_cycles < 2
        end as hit
    from wheels_in
)

select
    'lockup_without_modulation' as indicator,
    j.vehicle_id,
    j.wheel,
    j.event_id,
    j.started_at,
    j.on_day,
    j.hit,
    p.share as expected
from judged as j
join indicator_priors as p on p.indicator = 'lockup_without_modulation'
where j.hit is not null
