-- Grain: one row a vehicle, indicator, wheel and day from which evidence starts anew (events of later days count).
-- wheel '' means the whole vehicle. A repair restarts what its work can change; an inspection that found something
-- of severity 2 or more restarts it on the day of the first later inspection of the vehicle without a finding.
with
repairs_in as (select r.* from repairs as r, run where r.repaired_on <= run.as_of),
inspections_in as (select i.* from inspections as i, run where i.inspected_on <= run.as_of),
scope as (select * from repair_scope),
cleared as (
    select f.vehicle_id, f.finding, f.wheel, f.inspected_on, min(c.inspected_on) as cleared_on
    from inspections_in as f
    join inspections_in as c
        on c.vehicle_id = f.vehicle_id and c.finding = 'none' and c.inspected_on > f.inspected_on
    where f.severity >= 2
    group by all
)

select r.vehicle_id, s.indicator, coalesce(r.wheel, '') as wheel, r.repaired_on as restart_on
from repairs_in as r
join scope as s on s.work = coalesce(r.work, 'other')
union
select c.vehicle_id, s.indicator, coalesce(c.wheel, ''), c.cleared_on
from cleared as c
join scope as s on s.work = 'other' and c.finding in (s.indicator, 'other')
