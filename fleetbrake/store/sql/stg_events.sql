-- Grain: an event of a file that the log holds, before merging. Units in the names, SI, UTC.
-- onset_at: when the first movement of demand was, or the first sample where that is not known.
-- end_at: release or standstill.
WITH rows_of_lake AS (SELECT * FROM lake_events),
files AS (SELECT key, path FROM file_log WHERE key IS NOT NULL)
SELECT
    e.* REPLACE (f.path AS source_path, coalesce(e.continuous, false) AS continuous),
    e.started_at + to_microseconds(CAST(round(coalesce(e.onset_s, 0) * 1e6) AS BIGINT)) AS onset_at,
    e.started_at + to_microseconds(CAST(round(e.end_s * 1e6) AS BIGINT)) AS end_at
FROM rows_of_lake AS e
JOIN files AS f ON f.key = e.piece_key
