-- Grain: one row a vehicle, indicator and wheel (0: the whole vehicle): the day up to which the last restart (stg_restarts)
-- outdates what was observed. A restart of the whole vehicle is one of every wheel, that of a wheel one of both of its
-- axle, and what is observed of the whole vehicle starts anew with any of them.
with
restarts as (
    select u.vehicle, r.indicator, left(r.wheel, 1) as axle, r.restart_on
    from stg_restarts as r
    join stg_units as u using (vehicle_id)
),
wheels as (select unnest(range(0, 20)) as wheel_no)

select r.vehicle, r.indicator, w.wheel_no, max(r.restart_on) as restart_on
from restarts as r
join wheels as w on r.axle = '' or w.wheel_no = 0 or r.axle = (w.wheel_no // 2)::varchar
group by all
