-- Grain: one row a vehicle, indicator, wheel (NULL for the whole vehicle) and trip: what the finding rests on, so that
-- every score can be followed down to its events. Only of vehicles with a priority and of findings that deviate by
-- seen_from standard errors or more. value is free of what season, weather, driver and place explain; of a share it is
-- the trip's share of events. event_id: the most telling event of the trip. counts: belongs to what is judged as now.
with
chosen as (
    select p.*, h.priority
    from int_probabilities as p
    join mart_vehicle_health as h using (vehicle_id)
    cross join priors as pr
    where h.priority not in ('no_sign', 'too_little_evidence') or p.deviation >= pr.seen_from
),
levels as (
    select
        l.indicator, l.measure, l.vehicle_id, l.wheel, l.cluster, l.stood, l.on_day, l.x, l.events, c.worse_sign,
        l.seq > c.split as counts
    from int_levels as l
    join chosen as c using (indicator, measure, vehicle_id, wheel)
),
telling as (
    select
        indicator, measure, vehicle_id, wheel, cluster, stood,
        max({'worse': l.worse_sign * o.x, 'at': o.started_at, 'id': o.event_id}).id as event_id
    from levels as l
    join int_level_observations as o using (indicator, measure, vehicle_id, wheel, cluster, stood)
    group by all
),
shares as (
    select
        s.indicator, s.vehicle_id, s.wheel, s.cluster, min(s.on_day) as on_day, count(*) as events,
        count_if(s.hit) / count(*) as value,
        max({'hit': s.hit, 'at': s.started_at, 'id': s.event_id}).id as event_id,
        bool_or(s.back <= c.events_used) as counts
    from int_shares as s
    join chosen as c using (indicator, measure, vehicle_id, wheel)
    group by s.indicator, s.vehicle_id, s.wheel, s.cluster
),
together as (
    select
        l.indicator, l.vehicle_id, l.wheel, l.cluster, l.on_day, l.events,
        case when l.indicator = 'low_brake_effectiveness' then exp(l.x) else l.x end as value, t.event_id, l.counts
    from levels as l
    join telling as t using (indicator, measure, vehicle_id, wheel, cluster, stood)
    union all by name
    select * from shares
)

select
    vehicle_id, run.as_of, indicator, nullif(wheel, '') as wheel, cluster as trip, on_day, round(value, 9) as value,
    events, event_id, counts
from together cross join run
order by all
