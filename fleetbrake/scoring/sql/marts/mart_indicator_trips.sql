-- Grain: one row a vehicle, indicator, wheel (NULL for the whole vehicle) and trip: what the finding rests on, so that
-- every score can be followed down to its events. Only of vehicles with a priority and of findings that deviate by
-- seen_from standard errors or more. value is free of what season, weather, driver and place explain; of a share it is
-- the trip's share of events. event_id: the most telling event of the trip. counts: belongs to what is judged as now.
with
chosen as (
    select p.*, series_number(measure_number(p.indicator, p.measure), u.vehicle, wheel_number(p.wheel)) as series
    from int_probabilities as p
    join stg_units as u using (vehicle_id)
    join mart_vehicle_health as h using (vehicle_id)
    cross join priors as pr
    where h.priority not in ('no_sign', 'too_little_evidence') or p.deviation >= pr.seen_from
),
levels as (
    select
        c.indicator, c.vehicle_id, c.wheel, l.on_day, l.events,
        case when c.indicator = 'low_brake_effectiveness' then exp(l.x) else l.x end as value,
        l.telling as event, l.seq > c.split as counts
    from int_levels as l
    join chosen as c using (series)
),
shares as (
    select
        c.indicator, c.vehicle_id, c.wheel, min(s.on_day) as on_day, count(*) as events,
        count_if(s.hit) / count(*) as value,
        coalesce(max(s.event) filter (s.hit), max(s.event)) as event,
        bool_or(s.back <= c.events_used) as counts
    from int_shares as s
    join chosen as c using (series)
    group by c.indicator, c.vehicle_id, c.wheel, s.trip
),
together as (select * from levels union all by name select * from shares)

select
    t.vehicle_id, run.as_of, t.indicator, nullif(t.wheel, '') as wheel, coalesce(e.trip_id, e.on_day::varchar) as trip, t.on_day,
    round(t.value, 9) as value, t.events, e.event_id, t.counts
from together as t
join stg_events as e using (event)
cross join run
order by all
