-- Grain: one row a file seen, with its counts after repeated and merged events were taken out.
WITH files AS (SELECT * FROM file_log),
fates AS (
    SELECT
        piece_key,
        count(*) FILTER (WHERE fate = 'kept') AS kept,
        count(*) FILTER (WHERE fate = 'repeated') AS repeated,
        count(*) FILTER (WHERE fate = 'merged') AS merged,
        min(kept_path) FILTER (WHERE fate = 'repeated') AS repeated_in
    FROM int_fates
    GROUP BY piece_key
),
counted AS (
    SELECT
        f.*,
        coalesce(t.kept, 0) AS kept,
        coalesce(t.repeated, 0) AS repeated,
        coalesce(t.merged, 0) AS merged,
        t.repeated_in
    FROM files AS f
    LEFT JOIN fates AS t ON t.piece_key = f.key
)
SELECT
    path,
    sha256,
    CASE WHEN repeated > 0 THEN 'partly_loaded' ELSE status END AS status,
    rows,
    kept AS events,
    coalesce(events_rejected, 0) + repeated AS events_rejected,
    nullif(concat_ws(
        '; ',
        reason,
        CASE
            WHEN repeated > 0
                THEN format('{} event ids are already in another file ({}), whose events were kept', repeated, repeated_in)
        END,
        CASE WHEN merged > 0 THEN format('{} events are also in another recording and count there', merged) END
    ), '') AS reason,
    loaded_at,
    vehicles,
    first_at,
    last_at,
    channels
FROM counted
ORDER BY path
