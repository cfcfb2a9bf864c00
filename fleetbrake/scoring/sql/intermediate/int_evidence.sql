-- Grain: one row a vehicle, indicator and wheel: up to five event ids that weigh most, newest first, as a JSON list.
-- Levels: of the five trips of now that lie furthest on the bad side the most telling event. Shares: the newest hits.
with
chosen as (
    -- the number of the series, as int_levels and int_shares have it
    select p.*, series_number(measure_number(p.indicator, p.measure), u.vehicle, wheel_number(p.wheel)) as series
    from int_probabilities as p
    join stg_units as u using (vehicle_id)
),
level_events as (
    select series, unnest(worst).telling as event
    from (
        select l.series, max({'x': f.worse_sign * l.x, 'seq': l.seq, 'telling': l.telling}, 5) as worst
        from int_levels as l
        join chosen as f using (series)
        where l.seq > f.split
        group by l.series
    )
),
share_events as (
    select series, unnest(max(event, 5)) as event
    from int_shares
    where hit and series in (select series from chosen)
    group by series
),
both_kinds as (select * from level_events union all select * from share_events),
listed as (
    select b.series, list(c.event_id order by b.event desc) as events
    from both_kinds as b
    join stg_events as c using (event)
    group by b.series
)

select
    c.indicator, c.vehicle_id, c.wheel, to_json(coalesce(l.events, []))::varchar as evidence
from chosen as c
left join listed as l using (series)
