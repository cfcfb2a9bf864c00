-- Grain: measure within: one row a long or hot application, of the hotter half of the vehicle's, with an observed change
-- of effectiveness, tyres not at their limit. x: effectiveness of its second half over its first, less one, less what
-- the category's vehicles show with as much heat taken in. Fade begins above a temperature, so that cool applications
-- say nothing of it and no straight line over heat fits.
with
events_in as (
    select e.*, round(e.heat_kj_per_t / pr.fade_band_kj_per_t) as band
    from stg_events as e, priors as pr
    where e.effectiveness_change is not null and not e.at_the_limit and e.heat_kj_per_t >= pr.fade_some_kj_per_t
        and (e.braking_s >= pr.fade_least_s or e.heat_kj_per_t >= pr.fade_least_kj_per_t)
),
by_vehicle as (
    select category, band, vehicle, median(effectiveness_change) as change from events_in group by all
),
usual as (
    select b.category, b.band, median(b.change) as change
    from by_vehicle as b cross join priors as pr
    group by b.category, b.band, pr.least_peers
    having count(*) > pr.least_peers
),
hot as (
    select vehicle, median(heat_kj_per_t) as middle from events_in group by vehicle
)

select
    'brake_fade' as indicator,
    'within' as measure,
    e.vehicle_id,
    e.vehicle,
    '' as wheel,
    0 as wheel_no,
    e.category as peer_group,
    e.event_id,
    e.event,
    e.started_at,
    e.on_day,
    e.effectiveness_change - coalesce(u.change, 0) as x,
    0.0 as typical
from events_in as e
join hot as h using (vehicle)
left join usual as u using (category, band)
where e.heat_kj_per_t >= h.middle
