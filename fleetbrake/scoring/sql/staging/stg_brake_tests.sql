-- Grain: one row a vehicle, test day, method, indicator and wheel ('' = whole vehicle) that a brake test decided; of what
-- was measured twice on a day by one method the worst counts. Limits: priors. Units: value, value_limit: shares.
-- low_brake_effectiveness: braking rate z, the sum of the forces over the weight on the tested axles, every axle of the
-- register tested; more than half of the wheels locked counts as enough. Where only some axles were tested (part_axles)
-- they can fail, by far too little on their own weight, but not pass. side_imbalance: (higher - lower) / higher of
-- an axle, told of the lower wheel; not where that wheel locked or the higher hardly braked. brake_drag: residual force
-- over half the axle's load. verdict: failed or passed; severity as in inspections (0, 2, 3).
with
tests_in as (
    select
        b.vehicle_id, b.tested_on, b.method, coalesce(b.wheel, '') as place, regexp_extract(place, '[0-9]+') as axle,
        min(finite(b.max_force_n)) as force_n, max(finite(b.axle_load_kg)) as load_kg,
        max(finite(b.residual_drag_n)) as drag_n, bool_and(coalesce(b.locked, false)) as locked
    from brake_tests as b, run
    where b.vehicle_id is not null and b.tested_on <= run.known_on
    group by all
),
vehicles_in as (select * from stg_vehicles),
axles as (
    select
        vehicle_id, tested_on, method, axle,
        max(load_kg) as load_kg, sum(force_n order by place) as force_n, count(force_n) as wheels, count_if(locked) as locked,
        max(force_n) as higher_n, min(force_n) as lower_n,
        arg_min(place, {'n': force_n, 'at': place}) filter (force_n is not null) as lower_wheel,
        arg_min(locked, {'n': force_n, 'at': place}) filter (force_n is not null) as lower_locked
    from tests_in
    group by vehicle_id, tested_on, method, axle
),
whole_axles as (
    select *, axle = '' as at_once, wheels = case when axle = '' then 1 else 2 end as whole, whole and load_kg > 0 as weighed
    from axles
),
vehicle_tests as (
    select
        a.vehicle_id, a.tested_on, a.method, a.at_once,
        bool_and(coalesce(a.weighed, false)) and (a.at_once or count(*) >= coalesce(any_value(v.axles), 2)) as complete,
        sum(a.force_n order by a.axle) filter (a.weighed)
            / (sum(a.load_kg order by a.axle) filter (a.weighed) * 9.80665) as z,
        string_agg(a.axle, ', ' order by a.axle) filter (a.weighed) as axles,
        coalesce(sum(a.locked) * 2 > sum(a.wheels), false) as mostly_locked,
        any_value(case
            when v.category = 'M1' and coalesce(v.in_service_on < '2010-09-01'::date, true) then pr.test_z_m1_older
            when v.category = 'M1' then pr.test_z_m1
            when v.category in ('N1', 'M2', 'M3') then pr.test_z_n1_m2_m3
            when v.trailer then pr.test_z_trailer else pr.test_z_n2_n3
        end) as least_z
    from whole_axles as a join vehicles_in as v using (vehicle_id) cross join priors as pr
    group by a.vehicle_id, a.tested_on, a.method, a.at_once
),
found as (
    select
        vehicle_id, tested_on, method, 'low_brake_effectiveness' as indicator, '' as wheel, z as value,
        case when complete then least_z else pr.test_part_share * least_z end as value_limit,
        z < value_limit and not mostly_locked as failed, complete and z < pr.test_dangerous_share * least_z as dangerous,
        case when not complete then axles end as part_axles
    from vehicle_tests cross join priors as pr
    where z is not null and (complete or failed)
    union all
    select
        vehicle_id, tested_on, method, 'side_imbalance', lower_wheel, (higher_n - lower_n) / higher_n as share,
        pr.test_imbalance, share > pr.test_imbalance, share > pr.test_imbalance_dangerous and axle = '1', null
    from whole_axles cross join priors as pr
    where not at_once and whole and not lower_locked and higher_n > pr.test_least_force_n
    union all
    select
        t.vehicle_id, t.tested_on, t.method, 'brake_drag', t.place, t.drag_n / (t.load_kg / 2 * 9.80665) as share,
        pr.test_drag, share > pr.test_drag, false, null
    from tests_in as t cross join priors as pr
    where t.place <> '' and t.load_kg > 0 and t.drag_n is not null
)

select
    vehicle_id, tested_on, method, indicator, wheel, value, value_limit, part_axles,
    case when failed then 'failed' else 'passed' end as verdict,
    case when failed and dangerous then 3 when failed then 2 else 0 end as severity
from found
qualify row_number() over (
    partition by vehicle_id, tested_on, method, indicator, wheel order by severity desc, value, part_axles) = 1
