-- Grain: one row an application of a vehicle without anti-lock control in which both wheels of an axle locked above
-- 15 km/h, every wheel decided. hit: an axle behind the front one locked more than 0.1 s before it, or without it: the
-- vehicle swerves. An axle locks when its second wheel does (FMVSS 135 S7.2, verified). Loose and split ground are left
-- out. Times in s, speeds in m/s.
with
wheels_in as (
    select * from stg_wheels
    where not abs_fitted and surface not in ('loose', 'split') and not unpaved_place and coalesce(sensed, true)
),
axles as (
    select
        event_id, vehicle_id, started_at, on_day, axle,
        count(*) = count(lockup) as decided,
        count(*) = 2 and bool_and(coalesce(lockup and lockup_onset_speed_mps > pr.axle_order_above_mps, false)) as locked,
        max(lockup_onset_s) as locked_s
    from wheels_in cross join priors as pr
    group by all
),
events_in as (
    select
        event_id, vehicle_id, started_at, on_day,
        min(locked_s) filter (axle = '1' and locked) as front_s,
        min(locked_s) filter (axle > '1' and locked) as rear_s
    from axles
    group by all
    having bool_and(decided) and bool_or(axle = '1') and bool_or(axle > '1') and bool_or(locked)
)

select
    'lockup_without_modulation' as indicator,
    'axle_order' as measure,
    e.vehicle_id,
    '' as wheel,
    e.event_id,
    e.started_at,
    e.on_day,
    coalesce(e.rear_s < e.front_s - pr.axle_order_within_s, e.rear_s is not null) as hit,
    false as outside_emergency,
    p.share as expected
from events_in as e
join indicator_priors as p on p.indicator = 'lockup_without_modulation' and p.measure = 'axle_order'
cross join priors as pr
