-- Grain: one row an application and wheel whose axle shows steady slip on both sides.
-- x: how much less this wheel slips than the other (int_uneven). Less slip at equal demand is less braking.
with
events_in as (select * from stg_events where in_part(vehicle)),
axles as (
    select a.*, e.category, e.vehicle_id, e.event_id, e.started_at, e.on_day
    from int_uneven as a
    join events_in as e using (event)
    where in_part(a.vehicle)
),
sides as (select unnest(['L', 'R']) as side, unnest([0, 1]) as on_right, unnest([1, -1]) as sign)

select
    'side_imbalance' as indicator,
    'slip' as measure,
    a.vehicle_id,
    a.vehicle,
    a.axle || s.side as wheel,
    2 * a.axle + s.on_right as wheel_no,
    concat_ws('/', a.category, a.axle || s.side) as peer_group,
    a.event_id,
    a.event,
    a.started_at,
    a.on_day,
    s.sign * a.left_less as x,
    0.0 as typical
from axles as a
cross join sides as s
