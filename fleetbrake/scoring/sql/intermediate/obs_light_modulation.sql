-- Grain: one row a light application with an answer about modulation, not on loose or split surface.
-- hit: modulation; where it could not be told, the vehicle's own anti-lock flag is its word. expected: share of the depot's other vehicles on the same day and one day either side, so that
-- what the road explains is taken out. A surface told to be snow or ice without such neighbours is left out: the
-- surface is told from the friction used, which a control that acts too early lowers too.
with
dropped as (
    select distinct w.event_id from stg_wheels as w, priors as pr where w.dropout_s > pr.dropout_above_s
),
light as (
    select e.* replace (coalesce(e.modulation, e.abs_flag) as modulation)
    from stg_events as e, priors  -- a signal that drops out looks like slip
    where coalesce(e.modulation, e.abs_flag) is not null and e.friction_used < priors.light_braking_below
        and e.surface not in ('loose', 'split') and e.abs_fitted
        and not exists (select 1 from dropped as d where d.event_id = e.event_id)
),
offsets as (select unnest([-1, 0, 1]) as days),
vehicle_days as (
    select depot, vehicle_id, on_day + days as on_day, count(*) as events, count_if(modulation) as hits
    from light, offsets
    group by all
),
depot_days as (
    select depot, on_day, sum(events) as events, sum(hits) as hits
    from vehicle_days
    where depot is not null
    group by all
),
neighbours as (
    select v.vehicle_id, v.on_day, d.events - v.events as events, d.hits - v.hits as hits
    from vehicle_days as v
    join depot_days as d using (depot, on_day)
)

select
    'modulation_on_light_braking' as indicator,
    l.vehicle_id,
    '' as wheel,
    l.event_id,
    l.started_at,
    l.on_day,
    l.modulation as hit,
    greatest(
        p.share * priors.depot_floor,
        (coalesce(a.hits, 0) + priors.depot_weight * p.share) / (coalesce(a.events, 0) + priors.depot_weight)
    ) as expected
from light as l
left join neighbours as a using (vehicle_id, on_day)
join indicator_priors as p on p.indicator = 'modulation_on_light_braking'
cross join priors
where l.surface <> 'snow_or_ice' or a.events > 0
