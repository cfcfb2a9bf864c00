-- Grain: one row an application, measure (yaw, steering) and side, where the vehicle was braked straight on.
-- x: change of yaw rate (rad/s) or steering angle (rad) under held demand, for each m/s2 of deceleration; positive where
-- this side seems to brake less: the vehicle turns to the other side, or is steered against it, to this one.
-- Which axle it is no yaw rate tells: the wheel named is that of the axle whose slip differs most to this side, else the
-- front one, whose brakes give most of the moment.
with
events_in as (
    select e.*
    from stg_events as e
    cross join priors as pr
    where e.surface <> 'split' and not e.at_the_limit and e.held_decel_mps2 >= pr.pull_least_mps2
),
pulls as (
    -- left positive: the left side brakes more, or the wheels are held to the left against a stronger right side
    select *, 'yaw' as measure, finite(brake_yaw_radps) / held_decel_mps2 as to_left from events_in
    union all by name
    select *, 'steering' as measure, -finite(brake_steer_rad) / held_decel_mps2 as to_left from events_in
),
sides as (select unnest(['L', 'R']) as side, unnest([0, 1]) as on_right, unnest([-1, 1]) as sign),
uneven as (
    select u.vehicle, s.on_right, u.axle, median(-s.sign * u.left_less) as x
    from int_uneven as u
    cross join sides as s
    group by all
),
axles as (
    select vehicle, on_right, axle
    from uneven
    qualify row_number() over (partition by vehicle, on_right order by x desc, axle) = 1
)

select
    'side_imbalance' as indicator,
    p.measure,
    p.vehicle_id,
    p.vehicle,
    coalesce(a.axle, 1) || s.side as wheel,
    2 * coalesce(a.axle, 1) + s.on_right as wheel_no,
    concat_ws('/', p.category, s.side) as peer_group,
    p.event_id,
    p.event,
    p.started_at,
    p.on_day,
    s.sign * p.to_left as x,
    0.0 as typical
from pulls as p
cross join sides as s
left join axles as a on a.vehicle = p.vehicle and a.on_right = s.on_right
where p.to_left is not null
