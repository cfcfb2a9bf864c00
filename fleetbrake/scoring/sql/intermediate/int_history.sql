-- Grain: one row a vehicle: how long ago its brakes were last asked for much, and last tested on rollers.
-- Recordings of gentle braking say little of what an emergency stop needs; km only from trips since the test.
with
hard as (
    select vehicle_id, max(on_day) as hard_on
    from stg_events cross join priors as pr
    where peak_decel_mps2 >= pr.firm_braking_mps2
    group by all
),
rollers as (
    select
        v.vehicle_id,
        greatest(case when v.roller_tested_on <= run.known_on then v.roller_tested_on end, max(b.tested_on)) as roller_on
    from stg_vehicles as v
    cross join run
    left join brake_tests as b on b.vehicle_id = v.vehicle_id and b.method = 'roller' and b.tested_on <= run.known_on
    group by v.vehicle_id, v.roller_tested_on, run.known_on
),
driven as (
    select t.vehicle_id, sum(t.distance_km order by t.started_at, t.trip_id) as km
    from trips as t
    join rollers as r using (vehicle_id)
    cross join run
    where t.started_at < run.until and (t.started_at at time zone 'UTC')::date > r.roller_on and isfinite(t.distance_km)
        and t.distance_km > 0
    group by t.vehicle_id
)

select
    v.vehicle_id,
    (run.as_of - h.hard_on)::bigint as days_since_firm_braking,
    r.roller_on as roller_tested_on,
    round(d.km, 3) as km_since_roller_test
from stg_vehicles as v
cross join run
left join hard as h using (vehicle_id)
left join rollers as r using (vehicle_id)
left join driven as d using (vehicle_id)
