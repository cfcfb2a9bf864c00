-- Grain: one row an application that began with hot brakes, in a trip (else day) that also has one with cold ones.
-- x: natural logarithm of its effectiveness over the middle of the trip's cold ones, for each 100 K that the brakes were
-- hotter (int_brake_heat). Load, driver and a fault that is there when cold as well are in both.
with
applications as (
    select
        a.event, a.event_id, a.vehicle, a.vehicle_id, a.started_at, a.on_day, a.category, a.way, a.x, h.warmed_k,
        coalesce(e.trip_id, e.on_day::varchar) as cluster
    from int_effectiveness_level as a
    join int_brake_heat as h using (event)
    join stg_events as e using (event)
    where not a.towing
),
cold as (
    select a.vehicle, a.cluster, median(a.x) as x
    from applications as a
    cross join priors as pr
    where a.warmed_k <= pr.cold_k
    group by all
)

select
    'brake_fade' as indicator,
    'series' as measure,
    a.vehicle_id,
    a.vehicle,
    '' as wheel,
    0 as wheel_no,
    concat_ws('/', a.category, a.way) as peer_group,
    a.event_id,
    a.event,
    a.started_at,
    a.on_day,
    (a.x - c.x) * 100 / a.warmed_k as x,
    0.0 as typical
from applications as a
join cold as c using (vehicle, cluster)
cross join priors as pr
where a.warmed_k >= pr.hot_k
