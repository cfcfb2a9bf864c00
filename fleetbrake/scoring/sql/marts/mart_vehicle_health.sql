-- Grain: one row a vehicle of the register or with events, ranked 1 to n without ties.
-- Order: priority, probability that anything is found, vehicle id. Open reports stand beside, not in the score.
with
vehicles_in as (select * from stg_vehicles),
scores as (select * from int_vehicle_scores),
usable as (select * from int_usable_events),
foremost as (select * from int_leading),
reports as (select * from int_open_reports),
judged as (
    select
        v.*, s.* exclude (vehicle_id), l.indicator, l.wheel, r.open_report, u.last_event_at,
        coalesce(u.events_used, 0) as events_used,
        coalesce(u.events_used, 0) >= pr.least_events as enough,
        case when enough then l.priority else 'too_little_evidence' end as priority,
        enough and l.priority <> 'no_sign' as flagged,
        case
            when not enough then format(
                'Too little evidence: {} usable events, {:.0f} needed.', coalesce(u.events_used, 0), pr.least_events)
            when flagged then l.reason
            else format('No sign found in {} events', u.events_used)
                || case when s.indicators_missing > 0
                    then format('; {} of the indicators could not be observed.', s.indicators_missing) else '.' end
        end as reason
    from vehicles_in as v
    join scores as s using (vehicle_id)
    left join usable as u using (vehicle_id)
    left join foremost as l using (vehicle_id)
    left join reports as r using (vehicle_id)
    cross join priors as pr
)

select
    j.vehicle_id,
    run.as_of,
    row_number() over (order by o.place, j.probability desc, j.vehicle_id) as rank,
    case when enough then score end as health_score,
    case when enough then score_low end as score_low,
    case when enough then score_high end as score_high,
    priority,
    events_used,
    case when flagged then indicator end as leading_indicator,
    case when flagged then nullif(wheel, '') end as suspect_wheel,
    reason,
    depot,
    category,
    last_event_at,
    inspection_due_on,
    open_report
from judged as j
join priority_order as o using (priority)
cross join run
order by rank
