-- Grain: an event of a file that the log holds, before merging. Units in the names, SI, UTC.
-- onset_at: when the first movement of demand was, or the first sample where that is not known.
WITH rows_of_lake AS (SELECT * FROM lake_events),
files AS (SELECT key, path FROM file_log WHERE key IS NOT NULL)
SELECT
    e.* REPLACE (f.path AS source_path, coalesce(e.continuous, false) AS continuous),
    e.started_at + to_microseconds(CAST(round(coalesce(e.onset_s, 0) * 1e6) AS BIGINT)) AS onset_at
FROM rows_of_lake AS e
JOIN files AS f ON f.key = e.piece_key
