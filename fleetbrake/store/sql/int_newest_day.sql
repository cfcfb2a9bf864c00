-- Grain: one row, the day (UTC) of the newest event; NULL without events.
WITH found AS (SELECT CAST(started_at AT TIME ZONE 'UTC' AS DATE) AS on_day FROM events WHERE vehicle_id IS NOT NULL),
readings AS (
    -- what was read under a clock that ran ahead says nothing of today
    SELECT
        CAST(
            coalesce(max(loaded_at) FILTER (WHERE loaded_at <= now()), max(loaded_at)) AT TIME ZONE 'UTC' AS DATE
        ) AS read_on
    FROM ingest_log
)
-- a wrong clock's day in the future does not make all others silent
SELECT max(f.on_day) AS newest_on
FROM found AS f
CROSS JOIN readings AS r
WHERE r.read_on IS NULL OR f.on_day <= r.read_on
