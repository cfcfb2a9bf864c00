-- Grain: a published event with wheels: what its wheels say together once the silent ones are left out
-- (any_silent: the recording alone said otherwise), and how the wheels differ from the register's.
WITH wheels AS (SELECT * FROM int_wheels),
events AS (SELECT piece_key, event_id, vehicle_id FROM int_events),
units AS (SELECT vehicle_id, axles, sensed_wheels FROM vehicles),
together AS (
    SELECT
        piece_key,
        event_id,
        bool_or(silent) AS any_silent,
        count(*) FILTER (WHERE NOT silent) AS recorded,
        max(CAST(left(wheel, 1) AS INTEGER)) AS last_axle,
        count(*) FILTER (WHERE sensed) AS wheels_observed,
        CASE
            WHEN bool_or(lockup) THEN true
            WHEN count(*) FILTER (WHERE sensed) > 0 AND count(*) FILTER (WHERE sensed AND lockup IS NULL) = 0
                THEN false
        END AS lockup,
        max(lockup_longest_s) AS lockup_s,
        max(lockup_speed_mps) AS lockup_speed_mps,
        max(lockup_open_mps) FILTER (WHERE sensed) AS lockup_open_mps,
        string_agg(wheel, '+' ORDER BY wheel) FILTER (WHERE lockup) AS wheels_locked
    FROM wheels
    GROUP BY piece_key, event_id
)
SELECT
    t.* EXCLUDE (recorded, last_axle, lockup_s),
    CASE WHEN t.lockup IS NOT NULL THEN t.lockup_s END AS lockup_s,
    CASE
        WHEN t.last_axle > u.axles
            THEN 'wheels of axle ' || t.last_axle || ' were recorded, the register knows ' || u.axles || ' axles'
        WHEN t.recorded < coalesce(len(string_split(u.sensed_wheels, '+')), 2 * u.axles)
            THEN 'only ' || t.recorded || ' of '
                || coalesce(len(string_split(u.sensed_wheels, '+')), 2 * u.axles) || ' wheels were recorded'
    END AS remark
FROM together AS t
JOIN events AS e ON e.piece_key = t.piece_key AND e.event_id = t.event_id
LEFT JOIN units AS u ON u.vehicle_id = e.vehicle_id
