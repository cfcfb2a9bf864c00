-- Grain: one row a vehicle with evidence: events and trips that stand behind its indicators.
-- events_used: those of the series with most events, since several series share events.
with
used as (
    select vehicle_id, indicator || measure || wheel as series, sum(events) as events, count(distinct cluster) as trips,
        max(last_at) as last_at
    from int_levels
    group by all
    union all
    select vehicle_id, indicator || measure || wheel, count(*), max(trips), max(started_at)
    from int_shares
    group by all
)

select
    vehicle_id, max(events)::bigint as events_used, max(trips)::bigint as trips_used, max(last_at) as last_event_at
from used
group by all
