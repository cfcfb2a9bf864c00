-- Grain: one row a vehicle, indicator and wheel: up to five event ids that weigh most, newest first, as a JSON list.
-- Levels: of the five trips of now that lie furthest on the bad side the most telling event. Shares: the newest hits.
with
chosen as (select * from int_probabilities),
level_events as (
    select l.indicator, l.vehicle_id, l.wheel, l.telling as event
    from int_levels as l
    join chosen as f using (indicator, measure, vehicle_id, wheel)
    where l.seq > f.split
    qualify row_number() over (
        partition by l.series order by f.worse_sign * l.x desc, l.last_at desc, l.cluster desc, l.stood) <= 5
),
share_events as (
    select indicator, vehicle_id, wheel, event
    from int_shares
    join chosen as f using (indicator, measure, vehicle_id, wheel)
    where hit
    qualify row_number() over (partition by indicator, measure, vehicle_id, wheel order by event desc) <= 5
),
both_kinds as (select * from level_events union all select * from share_events),
listed as (
    select b.indicator, b.vehicle_id, b.wheel, list(c.event_id order by b.event desc) as events
    from both_kinds as b
    join stg_context as c using (event)
    group by all
)

select
    c.indicator, c.vehicle_id, c.wheel, to_json(coalesce(l.events, []))::varchar as evidence
from chosen as c
left join listed as l using (indicator, vehicle_id, wheel)
