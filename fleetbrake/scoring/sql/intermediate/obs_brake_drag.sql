-- Grain: one row an application, wheel and measure. slip: slip after release (less that before the demand), less that of
-- the axle's other wheel, or less zero where that is negative: an engine slows both wheels of its axle. free: slip before the demand less that of
-- the axle's other wheel, to be held against its own past: a brake that drags all the time shows before as after. It
-- is the rolling radius too; what tells them apart: wear and lost pressure make the wheel turn faster, not slower, a new
-- pair of tyres moves both wheels of the axle, and work on tyres starts it anew (stg_restarts). Only wheels whose free
-- slip moved by free_step are told: less is temperature and tread. Slip 0 to 1.
with
events_in as not materialized (select * from stg_events where in_part(vehicle)),
released as (
    select *, left_released as left_slip, right_released as right_slip from int_axles
    where left_released is not null and right_released is not null and in_part(vehicle)
),
axles as (
    select a.event, a.vehicle, a.axle, a.left_free - a.right_free as left_more, e.on_day
    from int_axles as a
    join events_in as e using (event)
    where a.left_free is not null and a.right_free is not null and in_part(a.vehicle)
),
moved as (
    select a.vehicle, a.axle
    from axles as a, run, priors as pr
    group by all
    having greatest(
        abs(median(a.left_more) filter (a.on_day > run.as_of - pr.free_recent_days::integer) - median(a.left_more)),
        quantile_cont(a.left_more, 0.75) - quantile_cont(a.left_more, 0.25)
    ) >= any_value(pr.free_step)
),
sides as (
    select unnest(['L', 'R']) as side, unnest([0, 1]) as on_right, unnest([1, -1]) as sign
),
both_kinds as (
    select
        r.event, r.vehicle, 'slip' as measure, r.axle, s.side, s.on_right, 0.0 as typical,
        case when s.on_right = 0 then r.left_slip - greatest(0, r.right_slip)
            else r.right_slip - greatest(0, r.left_slip) end as x
    from released as r
    cross join sides as s
    union all
    select a.event, a.vehicle, 'free', a.axle, s.side, s.on_right, null::double, s.sign * a.left_more
    from axles as a
    join moved as m using (vehicle, axle)
    cross join sides as s
)

select
    'brake_drag' as indicator,
    b.measure,
    e.vehicle_id,
    b.vehicle,
    b.axle || b.side as wheel,
    2 * b.axle + b.on_right as wheel_no,
    concat_ws('/', case when b.measure = 'free' then e.vehicle_id else e.category end, b.axle || b.side) as peer_group,
    e.event_id,
    b.event,
    e.started_at,
    e.on_day,
    b.x,
    b.typical
from both_kinds as b
join events_in as e using (event)
