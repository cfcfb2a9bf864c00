-- Grain: measure within: one row a long or hot application with an observed change of effectiveness, tyres not at their
-- limit. x: effectiveness of the second half over the first, less one, for each 100 kJ that its brakes took in a tonne.
with
events_in as (
    select e.* from stg_events as e, priors as pr
    where e.effectiveness_change is not null and not e.at_the_limit and e.heat_kj_per_t >= pr.fade_some_kj_per_t
        and (e.braking_s >= pr.fade_least_s or e.heat_kj_per_t >= pr.fade_least_kj_per_t)
)

select
    'brake_fade' as indicator,
    'within' as measure,
    vehicle_id,
    '' as wheel,
    category as peer_group,
    event_id,
    started_at,
    on_day,
    100 * effectiveness_change / heat_kj_per_t as x,
    0.0 as typical
from events_in
