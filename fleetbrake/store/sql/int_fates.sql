-- Grain: an event of the lake, with what becomes of it (fate) and the file that is kept in its place (kept_path).
-- merged: the same brake application of a vehicle in another continuous recording. repeated: its id is already in.
WITH events AS (SELECT * FROM int_applications),
numbered AS (
    SELECT *, row_number() OVER by_path AS id_place, first_value(source_path) OVER by_path AS first_path
    FROM events
    WINDOW by_path AS (PARTITION BY event_id, place = 1 ORDER BY continuous, source_path, row_start)
)
SELECT
    * EXCLUDE (id_place, first_path),
    CASE WHEN place > 1 THEN 'merged' WHEN id_place > 1 THEN 'repeated' ELSE 'kept' END AS fate,
    CASE WHEN place > 1 THEN best_path ELSE first_path END AS kept_path
FROM numbered
