-- Grain: one row an application with an observed build-up time.
-- x: build-up time in s. In gentle braking the driver's foot sets part of it; it is there in the peers' too, and what
-- drivers differ is in the spread between vehicles.
with
events_in as (
    select * from stg_events where build_up_s >= 0 and by_driver
)

select
    'slow_response' as indicator,
    e.vehicle_id,
    '' as wheel,
    e.actuation as peer_group,
    e.event_id,
    e.started_at,
    e.on_day,
    e.build_up_s as x,
    case
        when e.actuation in ('air', 'air_over_hydraulic') then priors.response_air_s
        else priors.response_other_s
    end as typical
from events_in as e
cross join priors
