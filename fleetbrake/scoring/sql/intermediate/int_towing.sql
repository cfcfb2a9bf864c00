-- Grain: one row a vehicle: whether most of its applications were with trailers (towing). A trailer's own brakes answer
-- later and its mass rolls along: what hangs on that is compared only with the vehicle's applications of the usual kind.
select vehicle, count_if(pairing <> '') * 2 > count(*) as towing
from stg_events
group by vehicle
