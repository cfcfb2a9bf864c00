-- Grain: one row a vehicle of the register or with events: what its recordings say, in a priority and a reason.
-- A lockup without anti-lock action is always told, and is at least watched where there is enough evidence.
with
vehicles_in as (select * from stg_vehicles),
scores as (select * from int_final_scores),
usable as (select * from int_usable_events),
foremost as (select l.*, r.reason from int_leading as l join int_reasons as r using (vehicle_id)),
history as (select * from int_history),
locks as (select * from int_lockups),
running_in as (
    select r.vehicle_id, string_agg(distinct nullif(r.wheel, ''), ', ' order by nullif(r.wheel, '')) as wheels
    from stg_restarts as r, run
    where r.reason = 'running_in' and r.restart_on >= run.as_of
    group by r.vehicle_id
)

select
    v.* exclude (roller_tested_on), s.* exclude (vehicle_id), u.last_event_at,
    coalesce(u.events_used, 0) as events_used,
    coalesce(u.trips_used, 0) as trips_used,
    h.* exclude (vehicle_id),
    coalesce(u.events_used >= pr.least_events and u.trips_used >= pr.persist_least, false) as seen_some,
    -- to speak for a vehicle more is asked for than to speak against it
    seen_some and (u.speaks or k.lockups is not null or u.recent_trips >= pr.recent_trips and w.waiting is null)
        as enough,
    enough and l.priority = 'no_sign' and m.asks is not null as only_learned,
    enough and l.priority = 'no_sign' and m.asks is null and k.lockups is not null as only_locks,
    case
        when not enough then 'too_little_evidence' when only_locks then 'watch' when only_learned then m.asks
        -- a learned probability moves what is flagged up or down, never out of sight and never off the road
        when score_model = 'learned' and l.priority in ('this_week', 'next_service', 'watch') then case
            when s.probability * l.weight >= pr.this_week_from then 'this_week'
            when s.probability * l.weight >= pr.next_service_from then 'next_service' else 'watch' end
        else l.priority
    end as own_priority,
    enough and own_priority <> 'no_sign' as flagged,
    case when only_locks then 'lockup_without_modulation'
        when only_learned then coalesce(m.indicator, l.indicator) else l.indicator end as chosen,
    case when only_locks then k.lockup_wheel when chosen = l.indicator then l.wheel end as suspect,
    -- the leading reason tells the lockups itself
    case when k.lockups is not null and (only_locks or only_learned or not flagged or chosen <> 'lockup_without_modulation')
        then k.told
    end as lock_text,
    case when i.vehicle_id is not null then format(
        'New linings or discs{} are running in: effectiveness, imbalance and fade cannot be told yet.',
        coalesce(' of ' || i.wheels, ''))
    end as running_in_text,
    case
        when v.events_until = 0 and v.events_after > 0 then format(
            'Too little evidence: no event up to {}; dated later: {}.', run.as_of, v.events_after)
        when seen_some and not enough and w.waiting is not null then format(
            'Too little evidence: after the work on it nothing has been seen yet of {}.', w.waiting)
        when seen_some and not enough then format(
            'Too little evidence: seen on {} trip{} in the last {:.0f} days, {:.0f} needed.',
            u.recent_trips, case when u.recent_trips = 1 then '' else 's' end, pr.recent_days, pr.recent_trips)
        when not enough then format(
            'Too little evidence: {} usable events on {} trips, {:.0f} on {:.0f} needed.',
            coalesce(u.events_used, 0), coalesce(u.trips_used, 0), pr.least_events, pr.persist_least)
        when only_locks then null
        when only_learned then m.told
        when flagged then l.reason
        else format('No sign found in {} events', u.events_used)
            || case when s.indicators_missing > 0
                then format('; {} of the indicators could not be observed.', s.indicators_missing) else '.' end
            || case when l.held_back then ' ' || l.reason else '' end
    end as first_text,
    concat_ws(' ', first_text, lock_text, running_in_text, a.told) as reason
from vehicles_in as v
join scores as s using (vehicle_id)
left join usable as u using (vehicle_id)
left join foremost as l using (vehicle_id)
left join locks as k using (vehicle_id)
left join running_in as i using (vehicle_id)
left join int_waiting as w using (vehicle_id)
left join history as h using (vehicle_id)
left join int_learned as m using (vehicle_id)
left join int_answered_told as a using (vehicle_id)
cross join priors as pr
cross join run
