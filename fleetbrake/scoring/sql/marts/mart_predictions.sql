-- Grain: one row a vehicle: what this run tells of it, with the day (UTC) on which it is told. Kept when another run
-- replaces the scores of the same day, so that later findings are held against what stood at the time.
with
health as (select * from mart_vehicle_health)

select
    h.vehicle_id, h.as_of, made.made_on, h.known_on, h.priority, h.own_priority, h.health_score, h.rank,
    count(*) over () as fleet_vehicles, h.leading_indicator, h.suspect_wheel,
    coalesce(h.open_report, '') <> '' as reported
from health as h
cross join made
order by h.rank
