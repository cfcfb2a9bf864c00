-- Grain: one row a vehicle, indicator and wheel: up to five event ids that weigh most, newest first, as a JSON list.
-- Levels: of the five trips of now that lie furthest on the bad side the most telling event. Shares: the newest hits.
with
chosen as (select * from int_probabilities),
telling_trips as (
    select l.indicator, l.measure, l.vehicle_id, l.wheel, l.cluster, l.stood, f.worse_sign
    from int_levels as l
    join chosen as f using (indicator, measure, vehicle_id, wheel)
    where l.seq > f.split
    qualify row_number() over (
        partition by l.series order by f.worse_sign * l.x desc, l.last_at desc, l.cluster desc, l.stood) <= 5
),
level_events as (
    select
        indicator, vehicle_id, wheel, cluster, stood,
        max({'worse': t.worse_sign * o.x, 'at': o.started_at, 'id': o.event_id}) as top
    from telling_trips as t
    join int_level_observations as o using (indicator, measure, vehicle_id, wheel, cluster, stood)
    group by all
),
share_events as (
    select indicator, vehicle_id, wheel, cluster, false as stood, {'worse': 0.0, 'at': started_at, 'id': event_id} as top
    from int_shares
    join chosen as f using (indicator, measure, vehicle_id, wheel)
    where hit
    qualify row_number() over (
        partition by indicator, measure, vehicle_id, wheel order by started_at desc, event_id desc) <= 5
),
both_kinds as (select * from level_events union all select * from share_events),
listed as (
    select indicator, vehicle_id, wheel, list({'at': top.at, 'id': top.id}) as events from both_kinds group by all
)

select
    c.indicator, c.vehicle_id, c.wheel,
    to_json(list_transform(list_reverse_sort(coalesce(l.events, [])), lambda t: t.id))::varchar as evidence
from chosen as c
left join listed as l using (indicator, vehicle_id, wheel)
