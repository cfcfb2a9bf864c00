-- Grain: a published event that is a brake application, with the number of its incident: 1, 2, ... of its driver,
-- or of its vehicle where no driver is known. An event belongs to the incident of the one before within the limit (s).
WITH events AS (
    SELECT
        event_id,
        onset_at,
        driver_id IS NULL AS of_vehicle,
        coalesce(driver_id, vehicle_id) AS person
    FROM int_events
    WHERE not_braking IS NULL
),
limits AS (SELECT CAST(round(incident_s * 1e6) AS BIGINT) AS incident_us FROM criteria),
begun AS (
    SELECT
        e.*,
        CASE
            WHEN date_diff('microsecond', lag(e.onset_at) OVER in_time, e.onset_at) <= l.incident_us THEN 0
            ELSE 1
        END AS begins
    FROM events AS e
    CROSS JOIN limits AS l
    WINDOW in_time AS (PARTITION BY e.of_vehicle, e.person ORDER BY e.onset_at, e.event_id)
)
SELECT event_id, sum(begins) OVER in_time AS incident
FROM begun
WINDOW in_time AS (PARTITION BY of_vehicle, person ORDER BY onset_at, event_id ROWS UNBOUNDED PRECEDING)
