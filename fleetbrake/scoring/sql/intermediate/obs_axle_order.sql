-- Grain: one row an application of a vehicle without anti-lock control in which both wheels of an axle locked above
-- 15 km/h, every wheel decided. hit: an axle behind the front one locked more than 0.1 s before it, or without it: the
-- vehicle swerves. An axle locks when its second wheel does (FMVSS 135 S7.2, verified). Loose and split ground are left
-- out. expected: the share of the category's other vehicles, drawn to the prior one: laden and empty, old and new differ
-- by design. Times in s, speeds in m/s.
with
wheels_in as (
    select * from int_locked
    where not abs_fitted and surface not in ('loose', 'split') and not unpaved_place and coalesce(sensed, true)
),
axles as (
    select
        event, event_id, vehicle, vehicle_id, category, started_at, on_day, axle,
        count(*) = count(lockup) as decided,
        count(*) = 2 and bool_and(coalesce(lockup and lockup_onset_speed_mps > pr.axle_order_above_mps, false)) as locked,
        max(lockup_onset_s) as locked_s
    from wheels_in cross join priors as pr
    group by all
),
events_in as (
    select
        event, event_id, vehicle, vehicle_id, category, started_at, on_day,
        min(locked_s) filter (axle = '1' and locked) as front_s,
        min(locked_s) filter (axle > '1' and locked) as rear_s
    from axles
    group by all
    having bool_and(decided) and bool_or(axle = '1') and bool_or(axle > '1') and bool_or(locked)
),
judged as (
    select e.*, coalesce(e.rear_s < e.front_s - pr.axle_order_within_s, e.rear_s is not null) as hit
    from events_in as e
    cross join priors as pr
),
vehicles_in as (
    select category, vehicle_id, count(*) as events, count_if(hit) as hits from judged group by all
),
others as (
    select
        vehicle_id,
        sum(events) over (partition by category) - events as events,
        sum(hits) over (partition by category) - hits as hits
    from vehicles_in
)

select
    'lockup_without_modulation' as indicator,
    'axle_order' as measure,
    j.vehicle_id,
    j.vehicle,
    '' as wheel,
    0 as wheel_no,
    j.event_id,
    j.event,
    j.started_at,
    j.on_day,
    j.hit,
    false as outside_emergency,
    greatest(p.share, (o.hits + pr.depot_weight * p.share) / (o.events + pr.depot_weight)) as expected
from judged as j
join others as o using (vehicle_id)
join indicator_priors as p on p.indicator = 'lockup_without_modulation' and p.measure = 'axle_order'
cross join priors as pr
