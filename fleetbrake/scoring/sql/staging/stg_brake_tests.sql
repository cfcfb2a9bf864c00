-- Grain: one row a vehicle, test day, method, indicator and wheel ('' = whole vehicle) that a brake test decided.
-- low_brake_effectiveness: braking rate z, the sum of the forces over the weight on the tested axles, every axle of the
-- register tested; more than half of the wheels locked counts as enough. side_imbalance: (higher - lower) / higher of
-- an axle, told of the lower wheel; not where that wheel locked or the higher hardly braked. brake_drag: residual force
-- over half the axle's load. verdict: failed or passed; severity as in inspections (0, 2, 3). Limits: priors.
-- Units: value and limit as shares; forces in N, loads in kg (axle_load_kg stands beside each wheel of its axle).
with
tests_in as (
    select b.*, coalesce(b.wheel, '') as place, regexp_extract(coalesce(b.wheel, ''), '[0-9]+') as axle
    from brake_tests as b, run
    where b.vehicle_id is not null and b.tested_on <= run.as_of
),
vehicles_in as (select * from stg_vehicles),
axles as (
    select
        vehicle_id, tested_on, method, axle,
        case when count(*) filter (place <> '') <= 2 then max(axle_load_kg) end as load_kg,
        sum(max_force_n order by place) as force_n,
        count(*) = count(max_force_n) as whole,
        count(*) as wheels, count_if(locked) as locked,
        max(max_force_n) as higher_n, min(max_force_n) as lower_n,
        arg_min(place, max_force_n) as lower_wheel, arg_min(coalesce(locked, false), max_force_n) as lower_locked
    from tests_in
    group by all
),
vehicle_tests as (
    select
        a.vehicle_id, a.tested_on, a.method,
        case when bool_and(a.whole) and count(*) >= coalesce(any_value(v.axles), 2) or bool_and(a.axle = '')
            then sum(a.force_n order by a.axle) / nullif(sum(a.load_kg order by a.axle) * 9.80665, 0) end as z,
        coalesce(sum(a.locked) * 2 > sum(a.wheels), false) as mostly_locked,
        any_value(case
            when v.category = 'M1' and coalesce(v.in_service_on < '2010-09-01'::date, true) then pr.test_z_m1_older
            when v.category = 'M1' then pr.test_z_m1
            when v.category in ('N1', 'M2', 'M3') then pr.test_z_n1_m2_m3
            when v.trailer then pr.test_z_trailer else pr.test_z_n2_n3
        end) as least_z
    from axles as a
    join vehicles_in as v using (vehicle_id)
    cross join priors as pr
    group by all
),
found as (
    select
        vehicle_id, tested_on, method, 'low_brake_effectiveness' as indicator, '' as wheel, z as value, least_z as limit_,
        z < least_z and not mostly_locked as failed, z < pr.test_dangerous_share * least_z as dangerous
    from vehicle_tests cross join priors as pr
    where isfinite(z)
    union all
    select
        vehicle_id, tested_on, method, 'side_imbalance', lower_wheel, (higher_n - lower_n) / higher_n as share,
        pr.test_imbalance, share > pr.test_imbalance, share > pr.test_imbalance_dangerous and axle = '1'
    from axles cross join priors as pr
    where axle <> '' and wheels = 2 and whole and not lower_locked and higher_n > pr.test_least_force_n
    union all
    select
        t.vehicle_id, t.tested_on, t.method, 'brake_drag', t.place, t.residual_drag_n / (t.axle_load_kg / 2 * 9.80665) as share,
        pr.test_drag, share > pr.test_drag, false
    from tests_in as t cross join priors as pr
    where t.place <> '' and t.axle_load_kg > 0 and isfinite(t.residual_drag_n)
)

select
    vehicle_id, tested_on, method, indicator, wheel, value, limit_ as value_limit,
    case when failed then 'failed' else 'passed' end as verdict,
    case when failed and dangerous then 3 when failed then 2 else 0 end as severity
from found
