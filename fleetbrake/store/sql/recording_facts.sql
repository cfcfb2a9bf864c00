-- Grain: one row a vehicle of the register or of an event: what came of it, how often it usually sends something, and
-- for how long it has sent nothing. Days in UTC; rates are medians over events, in Hz.
WITH found AS (
    SELECT *, CAST(started_at AT TIME ZONE 'UTC' AS DATE) AS on_day FROM counted_events WHERE vehicle_id IS NOT NULL
),
logged AS (SELECT path, status FROM ingest_log),
units AS (SELECT vehicle_id, depot, category FROM vehicles),
newest AS (SELECT newest_on FROM int_newest_day),
days AS (SELECT DISTINCT vehicle_id, on_day FROM found CROSS JOIN newest WHERE on_day <= newest_on),
gaps AS (
    SELECT
        vehicle_id,
        on_day,
        on_day - lag(on_day) OVER (PARTITION BY vehicle_id ORDER BY on_day) AS gap,
        row_number() OVER (PARTITION BY vehicle_id ORDER BY on_day DESC) AS from_last
    FROM days
),
rhythms AS (
    SELECT
        g.vehicle_id,
        min(g.on_day) AS first_on,
        max(g.on_day) AS last_on,
        count(*) AS days,
        CASE
            WHEN count(g.gap) >= any_value(c.rhythm_least_gaps)
                THEN list_sort(list(g.gap) FILTER (WHERE g.gap > 0 AND g.from_last <= c.rhythm_gaps))
        END AS usual
    FROM gaps AS g
    CROSS JOIN record_criteria AS c
    GROUP BY g.vehicle_id
),
usual AS (
    SELECT r.* EXCLUDE (usual), r.usual[CAST(ceil(c.rhythm_share * len(r.usual)) AS BIGINT)] AS usual_gap_days
    FROM rhythms AS r
    CROSS JOIN record_criteria AS c
),
sent AS (SELECT DISTINCT vehicle_id, source_path FROM found),
came AS (
    SELECT s.vehicle_id, count(s.source_path) AS files, count_if(l.status <> 'loaded') AS files_with_problems
    FROM sent AS s
    LEFT JOIN logged AS l ON l.path = s.source_path
    GROUP BY s.vehicle_id
),
rates AS (
    SELECT
        vehicle_id,
        count(*) AS events,
        count(not_braking) AS not_braking,
        median(sample_rate_hz) AS sample_rate_hz,
        median(wheel_rate_hz) AS wheel_rate_hz,
        median(speed_rate_hz) AS speed_rate_hz,
        median(demand_rate_hz) AS demand_rate_hz
    FROM found
    GROUP BY vehicle_id
),
lost AS (SELECT vehicle_id, count_if(lost) AS channels_lost FROM recording_channels GROUP BY vehicle_id)
SELECT
    coalesce(u.vehicle_id, a.vehicle_id) AS vehicle_id,
    u.vehicle_id IS NOT NULL AS in_register,
    u.depot,
    u.category,
    coalesce(c.files, 0) AS files,
    coalesce(c.files_with_problems, 0) AS files_with_problems,
    coalesce(a.events, 0) AS events,
    coalesce(a.not_braking, 0) AS not_braking,
    y.first_on, y.last_on, coalesce(y.days, 0) AS days, y.usual_gap_days, n.newest_on,
    n.newest_on - y.last_on AS days_silent,
    -- not greatest() alone, which skips NULL
    CASE
        WHEN y.usual_gap_days IS NOT NULL THEN greatest(r.silent_least_days, r.silent_usual_gaps * y.usual_gap_days)
        WHEN y.last_on IS NOT NULL THEN r.silent_no_rhythm_days
    END AS silent_from_days,
    n.newest_on - y.last_on > silent_from_days AS silent,
    a.sample_rate_hz, a.wheel_rate_hz, a.speed_rate_hz, a.demand_rate_hz,
    coalesce(l.channels_lost, 0) AS channels_lost
FROM units AS u
FULL JOIN rates AS a ON a.vehicle_id = u.vehicle_id
LEFT JOIN usual AS y ON y.vehicle_id = a.vehicle_id
LEFT JOIN came AS c ON c.vehicle_id = a.vehicle_id
LEFT JOIN lost AS l ON l.vehicle_id = a.vehicle_id
CROSS JOIN newest AS n
CROSS JOIN record_criteria AS r
ORDER BY 1
