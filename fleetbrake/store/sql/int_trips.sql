-- Grain: a vehicle and the start of a trip; times in UTC. Of trips that begin at once the longest is taken.
WITH registered AS (SELECT trip_id, vehicle_id, driver_id, started_at, ended_at FROM trips)
SELECT *
FROM registered
WHERE ended_at >= started_at
QUALIFY row_number() OVER (PARTITION BY vehicle_id, started_at ORDER BY ended_at DESC, trip_id) = 1
