-- Grain: one row a vehicle and day of inspection, with the day up to which evidence counts: the newest Sunday before.
-- found: a row of that day names a defect of learning_run.defect_severity or more (a finding without a severity is
-- one); NULL where no row says anything, or says "none" with a severity. A visit within days of another one or of a
-- repair would be told by evidence from before that one, which is no longer true of the vehicle: left out.
with
inspections_in as (select * from inspections),
repairs_in as (select vehicle_id, repaired_on as on_day from repairs),
events_in as (
    select vehicle_id, min((started_at at time zone 'UTC')::date) as first_on
    from events
    where vehicle_id is not null and not_braking is null
    group by vehicle_id
),
register as (select distinct vehicle_id from vehicles),
told as (
    select
        i.*,
        case
            when finding = 'none' then case when coalesce(severity, 0) = 0 then false end
            when finding is not null or severity is not null
                then coalesce(severity, defect_severity) >= defect_severity
        end as defect
    from inspections_in as i, learning_run
),
visits as (
    select
        vehicle_id, inspected_on, min(inspection_id) as inspection_id, count(*) as findings, bool_or(defect) as found,
        inspected_on - isodow(inspected_on)::integer as evidence_as_of
    from told
    group by vehicle_id, inspected_on
),
touched as (
    select vehicle_id, inspected_on as on_day from visits
    union
    select * from repairs_in
)

select
    v.*,
    case
        when v.vehicle_id is null or v.inspected_on is null then 'no vehicle or no day given'
        when r.vehicle_id is null and e.vehicle_id is null then 'the vehicle is in no register and no recording'
        when v.found is null then 'no finding, or one that contradicts its severity'
        when v.inspected_on > learning_run.as_of then 'later than the day scored'
        when e.first_on is null or e.first_on > v.evidence_as_of then 'no brake application recorded before it'
        when exists (
            select 1 from touched as t
            where t.vehicle_id = v.vehicle_id and t.on_day > v.evidence_as_of and t.on_day < v.inspected_on
        ) then 'inspected or repaired a few days before: the evidence is older than that'
    end as left_out_reason
from visits as v
left join register as r using (vehicle_id)
left join events_in as e using (vehicle_id)
cross join learning_run
order by v.inspected_on, v.vehicle_id
