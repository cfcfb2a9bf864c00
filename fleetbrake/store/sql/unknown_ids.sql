-- Grain: a vehicle or driver that events name and no register has; times in UTC.
WITH found AS (SELECT vehicle_id, driver_id, started_at FROM events),
named AS (
    SELECT 'vehicle' AS kind, f.vehicle_id AS id, f.started_at
    FROM found AS f
    ANTI JOIN vehicles AS v ON v.vehicle_id = f.vehicle_id
    UNION ALL
    SELECT 'driver' AS kind, f.driver_id AS id, f.started_at
    FROM found AS f
    ANTI JOIN drivers AS d ON d.driver_id = f.driver_id
)
SELECT kind, id, count(*) AS events, min(started_at) AS first_at, max(started_at) AS last_at
FROM named
WHERE id IS NOT NULL
GROUP BY kind, id
ORDER BY kind DESC, id
