-- Grain: one row a vehicle, indicator, wheel and day from which evidence starts anew (events of later days count).
-- wheel '' means the whole vehicle. A repair restarts what its work can change; new linings or discs say nothing of how
-- hard the vehicle brakes until they are run in (km of the trips since; without trips a time). An inspection that found
-- something of severity 2 or more restarts it on the day of the first later inspection of the vehicle without a finding.
-- A passed brake test restarts what it measured, unless another failed it on the same day. reason: repair, running_in, inspection or brake_test.
with
repairs_in as (select r.* from repairs as r, run where r.repaired_on <= run.known_on),
inspections_in as (select * from stg_inspections),
tests_in as (select * from stg_brake_tests),
scope as (select * from repair_scope),
trips_in as (select * from stg_trips where distance_km is not null),
cleared as (
    select f.vehicle_id, f.finding, f.wheel, f.inspected_on, min(c.inspected_on) as cleared_on
    from inspections_in as f
    join inspections_in as c
        on c.vehicle_id = f.vehicle_id and c.clean and c.inspected_on > f.inspected_on and c.wheel in ('', f.wheel)
    where f.severity >= 2
    group by all
),
fresh as (
    select distinct vehicle_id, repaired_on from repairs_in where work in ('lining', 'disc_or_drum')
),
driven as (
    select
        f.vehicle_id, f.repaired_on, t.ended_on,
        sum(t.distance_km) over (
            partition by f.vehicle_id, f.repaired_on order by t.started_at, t.trip_id rows unbounded preceding) as km
    from fresh as f
    join trips_in as t on t.vehicle_id = f.vehicle_id and t.ended_on > f.repaired_on
),
run_in as (
    select
        f.vehicle_id, f.repaired_on,
        case
            when bool_or(d.km >= pr.running_in_km) then min(d.ended_on) filter (d.km >= pr.running_in_km)
            -- trips are known but not enough of them yet
            when count(d.km) > 0 then any_value(run.as_of)
            else f.repaired_on + any_value(pr.running_in_days)::integer
        end as run_in_on
    from fresh as f
    cross join run
    cross join priors as pr
    left join driven as d using (vehicle_id, repaired_on)
    group by f.vehicle_id, f.repaired_on
)

select r.vehicle_id, s.indicator, coalesce(r.wheel, '') as wheel, r.repaired_on as restart_on, 'repair' as reason
from repairs_in as r
join scope as s on s.work = coalesce(r.work, 'other')
union
select r.vehicle_id, s.indicator, coalesce(r.wheel, ''), n.run_in_on, 'running_in'
from repairs_in as r
join run_in as n using (vehicle_id, repaired_on)
join scope as s on s.work = r.work
where s.indicator in ('low_brake_effectiveness', 'side_imbalance', 'brake_fade') and n.run_in_on > r.repaired_on
    and r.work in ('lining', 'disc_or_drum')
union
select c.vehicle_id, s.indicator, c.wheel, c.cleared_on, 'inspection'
from cleared as c
join scope as s on s.work = 'other' and c.finding in (s.indicator, 'other')
union
select p.vehicle_id, p.indicator, p.wheel, p.tested_on, 'brake_test'
from tests_in as p
where p.verdict = 'passed' and not exists (
    select 1 from tests_in as f
    where f.vehicle_id = p.vehicle_id and f.tested_on = p.tested_on and f.indicator = p.indicator
        and f.verdict = 'failed' and left(f.wheel, 1) = left(p.wheel, 1)
)
