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
    select vehicle_id, indicator, measure, series, sum(events) as events, count(distinct cluster) as trips,
        coalesce(count(distinct cluster) filter (on_day > (select since from recent)), 0) as recent,
        max(last_at) as last_at
    from int_levels
    group by all
    union all
    select vehicle_id, indicator, measure, series, count(*), max(trips),
        coalesce(count(distinct trip) filter (on_day > (select since from recent)), 0), max(started_at)
    from int_shares
    group by all
),
counting as (
    select u.*
    from used as u
    left join speaking as s using (vehicle_id, indicator, measure)
    where s.vehicle_id is not null or u.vehicle_id in (select vehicle_id from int_lockups) or (
        u.measure <> 'combination' and u.indicator not in ('wheel_speed_dropout', 'modulation_on_light_braking'))
)

select
    c.vehicle_id,
    max(c.events)::bigint as events_used,
    max(c.trips)::bigint as trips_used,
    max(c.last_at) as last_event_at,
    max(c.recent)::bigint as recent_trips,
    c.vehicle_id in (select vehicle_id from speaking) as speaks
from counting as c
group by c.vehicle_id
