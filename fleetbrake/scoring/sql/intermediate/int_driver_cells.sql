-- Grain: one row a driver, vehicle, fault, category, condition, area and kind of traffic: kilometres and incidents.
-- What the regression of the drivers' counts is fitted to: only kilometres on which a hard stop would have been recorded.
with
roads as (select * from int_driver_exposure where observed_km > 0),
begun as (select on_trip as trip_id, count_if(begins) as incidents from int_driver_events group by all)

select
    r.driver_id, r.vehicle as vehicle_id, r.fault, r.category, r.condition, r.area, r.traffic,
    sum(r.observed_km order by r.trip_id) as km,
    sum(coalesce(b.incidents, 0))::double as incidents
from roads as r
left join begun as b using (trip_id)
group by all
