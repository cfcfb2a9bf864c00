-- Grain: one row a vehicle and day of inspection, with the newest score that knew nothing from that day or later, be it
-- recorded or written (known_on). Made before that day (predictions.made_on) it is a prediction; else it was worked out
-- afterwards, and counts only where no prediction stood: of one day scored, the first such run. An inspection or work
-- between makes a score a word on another state of the vehicle: not predicted. found is that of inspection_evidence.
with
visits as (
    select inspection_id, vehicle_id, inspected_on, found, findings
    from inspection_evidence
    where vehicle_id is not null and inspected_on is not null
),
scores as (
    from predictions as p anti join mart_predictions as m on m.made_on = p.made_on and m.as_of = p.as_of
    union all by name
    from mart_predictions
),
last_day as (
    select max(day) as day
    from (select greatest(as_of, known_on) as day from scores union all select as_of from vehicle_health)
),
told as (select * from int_inspected),
touched as (
    select vehicle_id, inspected_on as on_day from visits
    union
    select vehicle_id, repaired_on from repairs
),
touched_before as (
    select v.vehicle_id, v.inspected_on, max(t.on_day) as on_day
    from visits as v
    join touched as t on t.vehicle_id = v.vehicle_id and t.on_day < v.inspected_on
    group by all
),
before as (
    select
        v.inspected_on, s.*, s.made_on < v.inspected_on as made_before,
        t.on_day is null or t.on_day <= s.known_on as fresh
    from visits as v
    join scores as s on s.vehicle_id = v.vehicle_id and s.as_of < v.inspected_on and s.known_on < v.inspected_on
    left join touched_before as t on t.vehicle_id = v.vehicle_id and t.inspected_on = v.inspected_on
    qualify row_number() over (
        partition by v.vehicle_id, v.inspected_on
        order by fresh desc, made_before desc, s.as_of desc, if(made_before, s.made_on, null) desc, s.made_on
    ) = 1
)

select
    v.inspection_id, v.vehicle_id, v.inspected_on, v.found, t.severity, v.findings,
    case when v.found then t.defects end as defects,
    case when v.found then t.wheels end as wheels, t.minor, t.minor_wheels,
    p.as_of as predicted_as_of, p.made_on as predicted_made_on, p.made_before,
    p.priority as predicted_priority, p.health_score as predicted_score, p.rank as predicted_rank, p.fleet_vehicles,
    p.leading_indicator as predicted_indicator, p.suspect_wheel as predicted_wheel,
    case
        when p.vehicle_id is not null then null
        when b.vehicle_id is not null then 'no score since it was inspected or repaired before'
        else 'no score from before it'
    end as not_predicted,
    p.own_priority in ('before_next_trip', 'this_week', 'next_service') as flagged,
    p.reported as known_before,
    case when flagged and v.found then list_contains(string_split(t.defects, '+'), p.leading_indicator) end
        as right_indicator,
    case when flagged and v.found then list_contains(string_split(t.wheels, '+'), p.suspect_wheel) end as right_wheel,
    case when flagged and not v.found then list_contains(string_split(t.minor, '+'), p.leading_indicator) end
        as minor_same_kind
from visits as v
cross join last_day as d
left join told as t using (vehicle_id, inspected_on)
left join before as b using (vehicle_id, inspected_on)
left join before as p on p.vehicle_id = b.vehicle_id and p.inspected_on = b.inspected_on and p.fresh
where v.inspected_on <= d.day
order by v.inspected_on, v.vehicle_id
