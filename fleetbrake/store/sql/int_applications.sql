-- Grain: an event of the lake, with its brake application: begins (nothing before it reaches it), place among what was
-- recorded of the application (1: kept), and the file of the one kept (best_path). Rows of cut recordings stand alone.
-- A drive may be split or overlap between files: what begins before the other has ended, or no later after it than a
-- foot may be lifted (the pause that cutting a drive merges too), is the same application.
WITH events AS (
    SELECT piece_key, event_id, vehicle_id, source_path, row_start, samples, continuous, started_at, onset_at, end_at
    FROM stg_events
),
drives AS (SELECT * FROM events WHERE continuous),
limits AS (
    SELECT
        CAST(round(same_onset_s * 1e6) AS BIGINT) AS same_onset_us,
        to_microseconds(CAST(merge_gap_s * 1e6 AS BIGINT)) AS pause
    FROM criteria
),
reach AS (
    SELECT e.*, max(e.end_at) OVER before AS earlier_end, max(e.onset_at) OVER before AS earlier_onset
    FROM drives AS e
    WINDOW before AS (
        PARTITION BY e.vehicle_id ORDER BY e.onset_at, e.source_path, e.row_start, e.event_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    )
),
begun AS (
    SELECT
        e.*,
        CASE
            WHEN e.earlier_onset IS NULL THEN 1
            WHEN date_diff('microsecond', e.earlier_onset, e.onset_at) <= l.same_onset_us THEN 0
            WHEN e.onset_at <= e.earlier_end + l.pause THEN 0
            ELSE 1
        END AS begins
    FROM reach AS e
    CROSS JOIN limits AS l
),
applications AS (
    SELECT *, sum(begins) OVER by_onset AS application
    FROM begun
    WINDOW by_onset AS (
        PARTITION BY vehicle_id ORDER BY onset_at, source_path, row_start, event_id
        ROWS UNBOUNDED PRECEDING
    )
),
whole AS (
    -- of one application, what saw its onset; of those the longest recording
    SELECT
        a.*,
        date_diff('microsecond', min(a.onset_at) OVER (PARTITION BY a.vehicle_id, a.application), a.onset_at)
            > l.same_onset_us AS late
    FROM applications AS a
    CROSS JOIN limits AS l
),
chosen AS (
    SELECT *, row_number() OVER best AS place, first_value(source_path) OVER best AS best_path
    FROM whole
    WINDOW best AS (
        PARTITION BY vehicle_id, application
        ORDER BY late, samples DESC NULLS LAST, source_path, row_start, event_id
    )
)
SELECT
    piece_key,
    event_id,
    vehicle_id,
    source_path,
    row_start,
    samples,
    continuous,
    started_at,
    onset_at,
    end_at,
    begins = 1 AS begins,
    place,
    best_path
FROM chosen
UNION ALL
SELECT *, true AS begins, 1 AS place, source_path AS best_path
FROM events
WHERE NOT continuous
