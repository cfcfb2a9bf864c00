-- Grain: one row a vehicle and channel that a file with an event of it holds. Times in UTC.
-- Files are in order of their last sample; the newest few stand against those before.
WITH logged AS (SELECT path, last_at, channels FROM ingest_log WHERE channels IS NOT NULL),
sent AS (SELECT DISTINCT vehicle_id, source_path FROM counted_events WHERE vehicle_id IS NOT NULL),
ordered AS (
    SELECT
        s.vehicle_id,
        l.channels,
        l.last_at,
        row_number() OVER (PARTITION BY s.vehicle_id ORDER BY l.last_at DESC NULLS LAST, l.path) <= c.newest_files AS newest
    FROM sent AS s
    JOIN logged AS l ON l.path = s.source_path
    CROSS JOIN record_criteria AS c
),
alike AS (
    -- few lists of channels differ: counting files first keeps what is taken apart small
    SELECT vehicle_id, channels, newest, count(*) AS files, max(last_at) AS last_at
    FROM ordered
    GROUP BY vehicle_id, channels, newest
),
totals AS (
    SELECT vehicle_id, sum(files) AS files, coalesce(sum(files) FILTER (newest), 0) AS newest_files
    FROM alike
    GROUP BY vehicle_id
),
named AS (
    SELECT vehicle_id, newest, files, last_at, trim(unnest(list_distinct(string_split(channels, ',')))) AS channel
    FROM alike
),
held AS (
    SELECT
        vehicle_id,
        channel,
        sum(files) AS files_with,
        coalesce(sum(files) FILTER (newest), 0) AS newest_with,
        max(last_at) AS last_at
    FROM named
    WHERE channel <> ''
    GROUP BY vehicle_id, channel
)
SELECT
    h.vehicle_id,
    h.channel,
    t.files,
    h.files_with,
    t.newest_files,
    h.newest_with,
    h.last_at,
    CASE
        WHEN t.files - t.newest_files >= c.newest_files
            THEN h.newest_with = 0 AND h.files_with >= c.lost_earlier_share * (t.files - t.newest_files)
    END AS lost
FROM held AS h
JOIN totals AS t ON t.vehicle_id = h.vehicle_id
CROSS JOIN record_criteria AS c
ORDER BY h.vehicle_id, h.channel
