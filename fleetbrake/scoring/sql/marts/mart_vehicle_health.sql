-- Grain: one row a vehicle of the register or with events, ranked 1 to n without ties.
-- Order: priority, probability that anything is found, vehicle id. Open reports stand beside, not in the score.
-- A lockup without anti-lock action is always told, and is at least watched where there is enough evidence.
with
vehicles_in as (select * from stg_vehicles),
scores as (select * from int_vehicle_scores),
usable as (select * from int_usable_events),
foremost as (select * from int_leading),
reports as (select * from int_open_reports),
locks as (select * from int_lockups),
judged as (
    select
        v.*, s.* exclude (vehicle_id), r.open_report, u.last_event_at,
        coalesce(u.events_used, 0) as events_used,
        coalesce(u.events_used, 0) >= pr.least_events as enough,
        enough and l.priority = 'no_sign' and k.lockups is not null as only_locks,
        case
            when not enough then 'too_little_evidence' when only_locks then 'watch' else l.priority
        end as final_priority,
        enough and final_priority <> 'no_sign' as flagged,
        case when only_locks then 'lockup_without_modulation' else l.indicator end as chosen,
        case when only_locks then k.lockup_wheel else l.wheel end as suspect,
        -- the leading reason tells the lockups itself
        case when k.lockups is not null and (only_locks or not flagged or chosen <> 'lockup_without_modulation')
            then format(
                'Locked above the cut-off speed without anti-lock action seen: {} event{} ({}), most often wheel {}.',
                k.lockups, case when k.lockups = 1 then '' else 's' end,
                concat_ws(' to ', k.first_on::varchar, nullif(k.last_on, k.first_on)::varchar), k.lockup_wheel)
        end as lock_text,
        case
            when v.events_until = 0 and v.events_after > 0 then format(
                'Too little evidence: no event up to {}; dated later: {}.', run.as_of, v.events_after)
            when not enough then format(
                'Too little evidence: {} usable events, {:.0f} needed.', coalesce(u.events_used, 0), pr.least_events)
            when only_locks then null
            when flagged then l.reason
            else format('No sign found in {} events', u.events_used)
                || case when s.indicators_missing > 0
                    then format('; {} of the indicators could not be observed.', s.indicators_missing) else '.' end
        end as first_text,
        concat_ws(' ', first_text, lock_text) as reason
    from vehicles_in as v
    join scores as s using (vehicle_id)
    left join usable as u using (vehicle_id)
    left join foremost as l using (vehicle_id)
    left join reports as r using (vehicle_id)
    left join locks as k using (vehicle_id)
    cross join priors as pr
    cross join run
)

select
    j.vehicle_id,
    run.as_of,
    row_number() over (order by o.place, j.probability desc, j.vehicle_id) as rank,
    case when enough then score end as health_score,
    case when enough then score_low end as score_low,
    case when enough then score_high end as score_high,
    final_priority as priority,
    events_used,
    case when flagged then chosen end as leading_indicator,
    case when flagged then nullif(suspect, '') end as suspect_wheel,
    reason,
    depot,
    category,
    last_event_at,
    inspection_due_on,
    open_report
from judged as j
join priority_order as o on o.priority = j.final_priority
cross join run
order by rank
