-- Grain: one row a light application with an answer about modulation, not on loose or split surface, nor at a place
-- where the control of several vehicles acts (stg_places): that is the road. hit: modulation; where it could not be
-- told, the vehicle's own anti-lock flag is its word. expected: the greater share of the other vehicles, in the depot on
-- the same day and one day either side, and at the same place at any time, so that what the road explains is taken out.
-- A surface told to be snow or ice without such neighbours is left out: it is told from the friction used, which a
-- control that acts too early lowers too.
with
dropped as (
    -- a signal that drops out looks like slip
    select distinct w.event from stg_wheels as w, priors as pr where w.dropout_s > pr.dropout_above_s
),
light as (
    select
        e.event, e.event_id, e.vehicle, e.vehicle_id, e.started_at, e.on_day, e.depot, e.surface,
        coalesce(e.modulation, e.abs_flag) as modulation,
        e.cell
    from stg_events as e, priors as pr
    where coalesce(e.modulation, e.abs_flag) is not null and e.friction_used < pr.light_braking_below
        and e.surface not in ('loose', 'split') and e.abs_fitted
        and not exists (select 1 from dropped as d where d.event = e.event)
),
offsets as (select unnest([-1, 0, 1]) as days),
vehicle_days as (
    select depot, vehicle, on_day + days as on_day, count(*) as events, count_if(modulation) as hits
    from light, offsets
    where depot is not null
    group by all
),
near_days as (
    select
        vehicle, on_day,
        sum(events) over of_day - events as events,
        sum(hits) over of_day - hits as hits
    from vehicle_days
    window of_day as (partition by depot, on_day)
),
vehicle_places as (
    select cell, vehicle, count(*) as events, count_if(modulation) as hits
    from light
    where cell is not null
    group by all
),
near_places as (
    select
        vehicle, cell,
        sum(events) over of_place - events as events,
        sum(hits) over of_place - hits as hits
    from vehicle_places
    window of_place as (partition by cell)
)

select
    'modulation_on_light_braking' as indicator,
    'control' as measure,
    l.vehicle_id,
    l.vehicle,
    '' as wheel,
    0 as wheel_no,
    l.event_id,
    l.event,
    l.started_at,
    l.on_day,
    l.modulation as hit,
    greatest(
        p.share * priors.depot_floor,
        (coalesce(a.hits, 0) + priors.depot_weight * p.share) / (coalesce(a.events, 0) + priors.depot_weight),
        case when b.events > 0
            then (b.hits + priors.depot_weight * p.share) / (b.events + priors.depot_weight) end
    ) as expected
from light as l
left join near_days as a using (vehicle, on_day)
left join near_places as b using (vehicle, cell)
left join stg_places as s using (cell)
join indicator_priors as p on p.indicator = 'modulation_on_light_braking' and p.measure = 'control'
cross join priors
where (l.surface <> 'snow_or_ice' or a.events > 0) and not coalesce(s.road_modulates, false)
