-- Grain: one row a month (UTC) and vehicle with events or trips in it: work of its brakes and distance, published.
-- Units: kJ, km. A trip counts in the month in which it began; one inside another trip of the vehicle was told twice.
-- The standard errors of a vehicle's events are added: a wrong mass or drag is wrong in all of them.
WITH found AS (
    SELECT *, strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month
    FROM counted_events
    WHERE started_at IS NOT NULL
),
units AS (SELECT vehicle_id, depot, category FROM vehicles),
worked AS (
    SELECT
        month,
        vehicle_id,
        min(depot) AS depot,
        min(category) AS category,
        count(*) AS events,
        count(not_braking) AS not_braking,
        count(brake_energy_kj) AS energy_events,
        sum(brake_energy_kj ORDER BY brake_energy_kj) AS brake_energy_kj,
        count(friction_brake_kj) AS friction_events,
        sum(friction_brake_kj ORDER BY friction_brake_kj) AS friction_brake_kj,
        sum(friction_brake_se_kj ORDER BY friction_brake_se_kj) FILTER (friction_brake_kj IS NOT NULL)
            AS friction_brake_se_kj,
        count(regen_kj) AS regen_events,
        sum(regen_kj ORDER BY regen_kj) AS regen_kj
    FROM found
    GROUP BY month, vehicle_id
),
possible AS (
    SELECT t.trip_id, t.vehicle_id, t.started_at, t.distance_km
    FROM counted_trips AS t
    CROSS JOIN record_criteria AS c
    WHERE isfinite(t.distance_km) AND t.distance_km > 0 AND t.distance_km <= c.trip_most_km
    WINDOW before AS (
        PARTITION BY t.vehicle_id ORDER BY t.started_at, t.ended_at DESC, t.distance_km DESC, t.trip_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    )
    QUALIFY coalesce(t.ended_at > max(t.ended_at) OVER before, true)
),
driven AS (
    SELECT
        strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month,
        vehicle_id,
        sum(distance_km ORDER BY trip_id) AS distance_km
    FROM possible
    WHERE started_at IS NOT NULL
    GROUP BY ALL
)
SELECT
    coalesce(w.month, d.month) AS month,
    coalesce(w.vehicle_id, d.vehicle_id) AS vehicle_id,
    CASE WHEN w.month IS NULL THEN u.depot ELSE w.depot END AS depot,
    CASE WHEN w.month IS NULL THEN u.category ELSE w.category END AS category,
    coalesce(w.events, 0) AS events,
    coalesce(w.not_braking, 0) AS not_braking,
    coalesce(w.energy_events, 0) AS energy_events,
    w.brake_energy_kj,
    coalesce(w.friction_events, 0) AS friction_events,
    w.friction_brake_kj,
    w.friction_brake_se_kj,
    coalesce(w.regen_events, 0) AS regen_events,
    w.regen_kj,
    d.distance_km
FROM worked AS w
FULL JOIN driven AS d ON d.month = w.month AND d.vehicle_id = w.vehicle_id
LEFT JOIN units AS u ON u.vehicle_id = d.vehicle_id
ORDER BY month, vehicle_id
