-- Grain: one row an application, wheel and measure. slip: slip after release (less that before the demand), less that of
-- the axle's other wheel, or less zero where that is negative: an engine slows both wheels of its axle. free: slip before the demand less that of
-- the axle's other wheel, to be held against its own past: a brake that drags all the time shows before as after. It
-- is the rolling radius too; what tells them apart: wear and lost pressure make the wheel turn faster, not slower, a new
-- pair of tyres moves both wheels of the axle, and work on tyres starts it anew (stg_restarts). Only wheels whose free
-- slip moved by free_step are told: less is temperature and tread. Slip 0 to 1.
with
wheels_in as (
    select w.* from stg_wheels as w, priors as pr where coalesce(w.dropout_s, 0) <= pr.dropout_above_s
        and not coalesce(w.once_a_turn, false)  -- a damaged tone ring shows slip that is none
),
released as (
    select w.*, m.released_slip as mate_slip
    from wheels_in as w
    join wheels_in as m on m.event_id = w.event_id and m.axle = w.axle and m.side <> w.side
    where w.released_slip is not null and m.released_slip is not null
),
axles as (
    select
        event_id, vehicle_id, axle,
        any_value(started_at) as started_at, any_value(on_day) as on_day,
        max(free_slip) filter (side = 'L') - max(free_slip) filter (side = 'R') as left_more
    from wheels_in
    where abs(free_slip) <= (select free_slip_most from priors)  -- more is the sensor, not a brake
    group by all
    having count(*) = 2
),
moved as (
    select a.vehicle_id, a.axle
    from axles as a, run, priors as pr
    group by all
    having greatest(
        abs(median(a.left_more) filter (a.on_day > run.as_of - pr.free_recent_days::integer) - median(a.left_more)),
        quantile_cont(a.left_more, 0.75) - quantile_cont(a.left_more, 0.25)
    ) >= any_value(pr.free_step)
),
sides as (select unnest(['L', 'R']) as side, unnest([1, -1]) as sign)

select
    'brake_drag' as indicator,
    'slip' as measure,
    vehicle_id,
    wheel,
    concat_ws('/', category, wheel) as peer_group,
    event_id,
    started_at,
    on_day,
    released_slip - greatest(0, mate_slip) as x,
    0.0 as typical
from released
union all
select
    'brake_drag', 'free', a.vehicle_id, a.axle || s.side, concat_ws('/', a.vehicle_id, a.axle || s.side), a.event_id,
    a.started_at, a.on_day, s.sign * a.left_more, null::double
from axles as a
join moved as m using (vehicle_id, axle)
cross join sides as s
