-- Grain: one row a long or energetic application with an observed change of effectiveness, tyres not at their limit.
-- x: effectiveness of the second half over the first, less one.
with
events_in as (
    select e.* from stg_events as e, priors
    where e.effectiveness_change is not null and not e.at_the_limit
        and (e.braking_s >= priors.fade_least_s or e.energy_kj_per_t >= priors.fade_least_kj_per_t)
)

select
    'brake_fade' as indicator,
    vehicle_id,
    '' as wheel,
    category as peer_group,
    event_id,
    started_at,
    on_day,
    effectiveness_change as x,
    0.0 as typical
from events_in
