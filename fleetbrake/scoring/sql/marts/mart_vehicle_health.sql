-- Grain: one row a vehicle of the register or with events, ranked 1 to n without ties.
-- Order: priority, strength (log odds before they are bounded, times weight), vehicle id. An open report or a lit lamp
-- never changes the score; it raises the priority to what it asks for, also where there is too little evidence.
with
verdicts as (select * from int_verdicts),
reports as (select * from int_open_reports),
raised as (
    select
        v.*, r.open_report, r.open_since,
        coalesce(asked.place < own.place, false) as by_report,
        case when by_report then r.least_priority else v.own_priority end as priority,
        case
            when not by_report then v.reason
            when v.flagged then concat_ws(' There is also ', v.reason, r.told)
            else concat_ws(', but ', rtrim(v.reason, '.'), r.told)
        end as whole_reason
    from verdicts as v
    join priority_order as own on own.priority = v.own_priority
    left join reports as r using (vehicle_id)
    left join priority_order as asked on asked.priority = r.least_priority
)

select
    j.vehicle_id,
    run.as_of,
    row_number() over (order by o.place, j.strength desc, j.vehicle_id) as rank,
    case when enough then score end as health_score,
    case when enough then score_low end as score_low,
    case when enough then score_high end as score_high,
    j.priority,
    events_used,
    trips_used,
    score_model,
    days_since_firm_braking,
    roller_tested_on,
    km_since_roller_test,
    case when flagged then chosen end as leading_indicator,
    case when flagged then nullif(suspect, '') end as suspect_wheel,
    whole_reason as reason,
    depot,
    category,
    last_event_at,
    inspection_due_on,
    open_report,
    j.own_priority,
    run.known_on,
    open_since
from raised as j
join priority_order as o using (priority)
cross join run
order by rank
