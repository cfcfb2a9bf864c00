-- Grain: one row a vehicle with evidence: events and trips that stand behind its indicators, and trips of late.
-- Only what shows the brakes themselves counts, unless a finding ranks or a wheel locked: sensors, and combinations with
-- a trailer, can speak against a vehicle, never for it. events_used: those of the series with most events, since series
-- share events.
with
recent as (select run.as_of - pr.recent_days::integer as since from run, priors as pr),
speaking as (
    select vehicle_id, indicator, measure from int_probabilities where ranks
),
used as (
    select series, sum(events) as events, count(distinct cluster) as trips, max(last_event) as last_event
    from int_levels
    group by series
    union all
    select series, count(*), max(trips), max(event) from int_shares group by series
),
lately as (
    select series, count(distinct cluster) as trips
    from (
        select series, cluster, on_day from int_levels
        union all
        select series, trip, on_day from int_shares
    )
    where on_day > (select since from recent)
    group by series
),
named as (
    select n.*, coalesce(l.trips, 0) as recent, p.indicator, p.measure, u.vehicle_id
    from used as n
    left join lately as l using (series)
    join indicator_priors as p on p.number = series_measure(n.series)
    join stg_units as u on u.vehicle = series_vehicle(n.series)
),
counting as (
    select u.*
    from named as u
    left join speaking as s using (vehicle_id, indicator, measure)
    where s.vehicle_id is not null or u.vehicle_id in (select vehicle_id from int_lockups) or (
        u.measure <> 'combination' and u.indicator not in ('wheel_speed_dropout', 'modulation_on_light_braking'))
),
totals as (
    select
        vehicle_id, max(events)::bigint as events_used, max(trips)::bigint as trips_used, max(last_event) as event,
        max(recent)::bigint as recent_trips
    from counting
    group by vehicle_id
)

select
    t.vehicle_id,
    t.events_used,
    t.trips_used,
    e.started_at as last_event_at,
    t.recent_trips,
    t.vehicle_id in (select vehicle_id from speaking) as speaks
from totals as t
join stg_events as e using (event)
