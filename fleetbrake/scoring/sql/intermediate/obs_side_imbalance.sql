-- Grain: one row an application and wheel whose axle shows steady slip on both sides.
-- x: how much less this wheel slips than the other, over the greater side's median slip; for medians this is the
-- imbalance formula of the inspection manual, (higher - lower) / higher. Less slip at equal demand is less braking.
-- A signal that dropped out, or slip below zero by more than its noise, speaks of the sensor, not of the brake.
with
wheels_in as (
    select w.* from stg_wheels as w, priors as pr
    where w.steady_slip > -pr.negative_slip and w.surface <> 'split' and not coalesce(w.modulation, false)
        and coalesce(w.dropout_s, 0) <= pr.dropout_above_s and not coalesce(w.once_a_turn, false)
),
axles as (
    select
        event_id, vehicle_id, axle,
        any_value(category) as category, any_value(started_at) as started_at, any_value(on_day) as on_day,
        max(steady_slip) filter (side = 'L') as left_slip,
        max(steady_slip) filter (side = 'R') as right_slip
    from wheels_in
    group by all
    having left_slip is not null and right_slip is not null
),
levels as (
    select vehicle_id, axle, greatest(median(left_slip), median(right_slip)) as greater_slip
    from axles
    group by all
),
sides as (select unnest(['L', 'R']) as side, unnest([1, -1]) as sign)

select
    'side_imbalance' as indicator,
    'slip' as measure,
    a.vehicle_id,
    a.axle || s.side as wheel,
    concat_ws('/', a.category, a.axle || s.side) as peer_group,
    a.event_id,
    a.started_at,
    a.on_day,
    s.sign * (a.right_slip - a.left_slip) / greatest(l.greater_slip, a.left_slip, a.right_slip) as x,
    0.0 as typical
from axles as a
join levels as l using (vehicle_id, axle)
cross join sides as s
cross join priors
where l.greater_slip >= priors.least_slip
