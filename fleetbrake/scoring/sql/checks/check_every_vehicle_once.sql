-- No vehicle may be missing from the ranking, ranked twice or share a rank.
select vehicle_id, count(h.rank) as times
from stg_vehicles left join mart_vehicle_health as h using (vehicle_id)
group by vehicle_id
having count(h.rank) <> 1
union all
select min(vehicle_id), count(*) from mart_vehicle_health group by rank having count(*) > 1
