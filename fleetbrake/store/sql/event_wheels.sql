-- Grain: one row an event and wheel, published. Units in the names, SI. NULL: could not be observed.
WITH wheels AS (SELECT * FROM int_wheels),
kept AS (SELECT piece_key, event_id, wheel_rate_hz, actuation FROM int_events),
allowances AS (SELECT piece_key, event_id, wheel, lockup_rule, lockup_allowed FROM int_allowed_lockups),
limits AS (SELECT frequency_rate_factor, alias_free_air_hz, alias_free_hydraulic_hz FROM criteria)
SELECT
    w.* EXCLUDE (piece_key, silent, modulation_seen_hz),
    CASE
        WHEN w.modulation_seen_hz <= coalesce(w.modulation_rate_hz, k.wheel_rate_hz) / l.frequency_rate_factor
            AND coalesce(w.modulation_rate_hz, k.wheel_rate_hz) >= CASE
                WHEN k.actuation IN ('air', 'air_over_hydraulic') THEN l.alias_free_air_hz
                ELSE l.alias_free_hydraulic_hz
            END
            THEN w.modulation_seen_hz
    END AS modulation_hz,
    a.lockup_rule,
    a.lockup_allowed
FROM wheels AS w
JOIN kept AS k ON k.piece_key = w.piece_key AND k.event_id = w.event_id
LEFT JOIN allowances AS a ON a.piece_key = w.piece_key AND a.event_id = w.event_id AND a.wheel = w.wheel
CROSS JOIN limits AS l
ORDER BY w.event_id, w.wheel
