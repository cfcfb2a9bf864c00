-- Grain: one row a vehicle with evidence: events that stand behind at least one indicator.
with
used as (
    select vehicle_id, event_id, started_at from int_levels
    union
    select vehicle_id, event_id, started_at from int_shares
)

select vehicle_id, count(*) as events_used, max(started_at) as last_event_at
from used
group by all
