-- Grain: one row a vehicle and day of inspection, with the newest score that stood before it: what was predicted.
-- A score counts only if nothing in it is from that day or later, be it recorded or written (known_on). An inspection or
-- work between the two makes the score a word on another state of the vehicle: not predicted. Rows of scores that do not
-- tell known_on (earlier versions) are no predictions. found is that of inspection_evidence.
with
visits as (
    select inspection_id, vehicle_id, inspected_on, found, findings
    from inspection_evidence
    where vehicle_id is not null and inspected_on is not null
),
scored as (
    select v.* from vehicle_health as v, run where v.as_of <> run.as_of
    union all by name
    select * from mart_vehicle_health
),
scores as (select *, count(*) over (partition by as_of) as fleet_vehicles from scored),
last_day as (select max(as_of) as as_of from scores),
indicators_in as (select distinct indicator from indicator_priors),
entries as (
    select
        i.vehicle_id, i.inspected_on, nullif(i.wheel, '') as wheel,
        case when i.finding is not null then coalesce(n.indicator, 'other') end as finding,
        case when i.finding = 'none' then coalesce(i.severity, 0) else coalesce(i.severity, 2) end as severity
    from inspections as i
    left join indicators_in as n on n.indicator = i.finding
    where i.finding is not null or i.severity is not null
),
told as (
    select
        vehicle_id, inspected_on, max(severity) as severity,
        string_agg(distinct finding, '+' order by finding) filter (severity >= 2) as defects,
        string_agg(distinct wheel, '+' order by wheel) filter (severity >= 2) as wheels
    from entries
    group by all
),
touched as (
    select vehicle_id, inspected_on as on_day from visits
    union
    select vehicle_id, repaired_on from repairs
),
before as (
    select v.inspection_id, v.inspected_on, s.*
    from visits as v
    join scores as s on s.vehicle_id = v.vehicle_id and s.as_of < v.inspected_on and s.known_on < v.inspected_on
    qualify row_number() over (partition by v.vehicle_id, v.inspected_on order by s.as_of desc) = 1
),
fresh as (
    select b.* from before as b
    where not exists (
        select 1 from touched as t
        where t.vehicle_id = b.vehicle_id and t.on_day > b.known_on and t.on_day < b.inspected_on
    )
)

select
    v.inspection_id, v.vehicle_id, v.inspected_on, v.found, t.severity, v.findings,
    case when v.found then t.defects end as defects,
    case when v.found then t.wheels end as wheels,
    p.as_of as predicted_as_of, p.priority as predicted_priority, p.health_score as predicted_score,
    p.rank as predicted_rank, p.fleet_vehicles,
    p.leading_indicator as predicted_indicator, p.suspect_wheel as predicted_wheel,
    case
        when p.vehicle_id is not null then null
        when b.vehicle_id is not null then 'no score since it was inspected or repaired before'
        else 'no score from before it'
    end as not_predicted,
    p.own_priority in ('before_next_trip', 'this_week', 'next_service') as flagged,
    not flagged and p.priority in ('before_next_trip', 'this_week', 'next_service') as known_before,
    case when flagged and v.found then list_contains(string_split(t.defects, '+'), p.leading_indicator) end
        as right_indicator,
    case when flagged and v.found then list_contains(string_split(t.wheels, '+'), p.suspect_wheel) end as right_wheel
from visits as v
cross join last_day as d
left join told as t using (vehicle_id, inspected_on)
left join before as b using (vehicle_id, inspected_on)
left join fresh as p using (vehicle_id, inspected_on)
where v.inspected_on <= d.as_of
order by v.inspected_on, v.vehicle_id
