-- Grain: one row a vehicle, indicator and wheel: up to five event ids that weigh most, newest first, as a JSON list.
-- Levels: of the five trips of now that lie furthest on the bad side the most telling event. Shares: the newest hits.
with
chosen as (
    -- the number of the series, as int_levels and int_shares have it
    select *, hash(indicator, measure, vehicle_id, wheel) as series from int_probabilities
),
level_events as (
    select l.series, l.telling as event
    from int_levels as l
    join chosen as f using (series)
    where l.seq > f.split
    qualify row_number() over (partition by l.series order by f.worse_sign * l.x desc, l.seq desc) <= 5
),
share_events as (
    select series, event
    from int_shares
    where hit and series in (select series from chosen)
    qualify row_number() over (partition by series order by event desc) <= 5
),
both_kinds as (select * from level_events union all select * from share_events),
listed as (
    select b.series, list(c.event_id order by b.event desc) as events
    from both_kinds as b
    join stg_context as c using (event)
    group by b.series
)

select
    c.indicator, c.vehicle_id, c.wheel, to_json(coalesce(l.events, []))::varchar as evidence
from chosen as c
left join listed as l using (series)
