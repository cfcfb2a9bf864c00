-- Grain: one row a counted trip of a driver: the kilometres on which a hard stop would have been recorded. By the share
-- of the trip's own events that tell; without any, by what the vehicle recorded in the weeks around it. Units: km.
with
roads as (select * from int_driver_roads),
recorded as (select * from int_recorded_days),
own as (
    select d.on_trip as trip_id, count(*) as events, count(e.hard_stop) as told
    from int_driver_events as d
    join stg_events as e using (event)
    where d.on_trip is not null
    group by all
)

select
    r.*,
    coalesce(o.told / o.events, w.share, 0) * r.km as observed_km
from roads as r
left join own as o using (trip_id)
left join recorded as w
    on w.unit = case when r.vehicle_id is null then 'driver' else 'vehicle' end
    and w.id = coalesce(r.vehicle_id, r.driver_id) and w.on_day = r.on_day
