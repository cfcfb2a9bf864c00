-- Grain: one row a unit: the vehicles of stg_vehicles under their numbers, and after them the trailers that only trips name.
with
vehicles_in as (select vehicle, vehicle_id from stg_vehicles),
towed as (select distinct unnest(trailers) as vehicle_id from stg_trips),
strangers as (select t.vehicle_id from towed as t anti join vehicles_in as v on v.vehicle_id = t.vehicle_id),
known as (select count(*) as vehicles from vehicles_in)

select vehicle, vehicle_id from vehicles_in
union all
select (k.vehicles + row_number() over (order by s.vehicle_id))::integer, s.vehicle_id
from strangers as s
cross join known as k
