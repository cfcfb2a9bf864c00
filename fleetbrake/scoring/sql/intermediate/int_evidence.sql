-- Grain: one row a series: up to five event ids that weigh most, newest first, as a JSON list.
-- Levels: the events of now that lie furthest on the bad side. Shares: the newest hits.
with
level_events as (
    select
        l.indicator, l.vehicle_id, l.wheel,
        max({'weight': p.worse_sign * (l.x - f.then_expected), 'at': l.started_at, 'id': l.event_id}, 5) as top
    from int_levels as l
    join int_level_findings as f using (indicator, vehicle_id, wheel)
    join indicator_priors as p using (indicator)
    where l.seq > f.split
    group by all
),
share_events as (
    select
        indicator, vehicle_id, wheel,
        max({'weight': 0.0, 'at': started_at, 'id': event_id}, 5) filter (hit) as top
    from int_shares
    group by all
),
both_kinds as (select * from level_events union all select * from share_events)

select
    indicator, vehicle_id, wheel,
    to_json(list_transform(
        list_reverse_sort(list_transform(coalesce(top, []), lambda t: {'at': t.at, 'id': t.id})), lambda t: t.id
    ))::varchar as evidence
from both_kinds
