-- Grain: an event of the lake, with what becomes of it (fate) and the file that is kept in its place (kept_path).
-- merged: the same brake application of a vehicle in another continuous recording. repeated: its id is already in.
-- Onsets are compared in seconds.
WITH events AS (
    SELECT piece_key, event_id, vehicle_id, source_path, row_start, samples, continuous, onset_at FROM stg_events
),
limits AS (SELECT CAST(round(same_onset_s * 1e6) AS BIGINT) AS same_onset_us FROM criteria),
begun AS (
    -- one application where the next onset follows closely; rows of cut recordings always stand alone
    SELECT
        e.*,
        CASE
            WHEN e.continuous
                AND date_diff('microsecond', lag(e.onset_at) OVER by_onset, e.onset_at) <= l.same_onset_us
                THEN 0
            ELSE 1
        END AS begins
    FROM events AS e
    CROSS JOIN limits AS l
    WINDOW by_onset AS (PARTITION BY e.vehicle_id, e.continuous ORDER BY e.onset_at, e.source_path, e.row_start)
),
applications AS (
    SELECT *, sum(begins) OVER by_onset AS application
    FROM begun
    WINDOW by_onset AS (
        PARTITION BY vehicle_id, continuous ORDER BY onset_at, source_path, row_start ROWS UNBOUNDED PRECEDING
    )
),
chosen AS (
    SELECT *, row_number() OVER best AS place, first_value(source_path) OVER best AS best_path
    FROM applications
    WINDOW best AS (
        PARTITION BY vehicle_id, continuous, application ORDER BY samples DESC NULLS LAST, source_path, row_start
    )
),
numbered AS (
    SELECT *, row_number() OVER by_path AS id_place, first_value(source_path) OVER by_path AS first_path
    FROM chosen
    WINDOW by_path AS (PARTITION BY event_id, place = 1 ORDER BY continuous, source_path, row_start)
)
SELECT
    piece_key,
    event_id,
    source_path,
    CASE WHEN place > 1 THEN 'merged' WHEN id_place > 1 THEN 'repeated' ELSE 'kept' END AS fate,
    CASE WHEN place > 1 THEN best_path ELSE first_path END AS kept_path
FROM numbered
