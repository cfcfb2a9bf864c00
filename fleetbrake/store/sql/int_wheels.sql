-- Grain: a wheel of an event that is published, as the lake has it, silent: the register says that its speed is not
-- sensed, or that its axle can be raised and the recording that it was. A silent wheel says nothing; its own pressure
-- still may. Units in the names, SI.
WITH wheels AS (SELECT * FROM lake_event_wheels),
events AS (SELECT piece_key, event_id, vehicle_id, lift_axle_up FROM int_events),
units AS (SELECT vehicle_id, sensed_wheels, lift_axles FROM vehicles),
told AS (
    SELECT
        w.*,
        coalesce(NOT list_contains(string_split(u.sensed_wheels, '+'), w.wheel), false)
        OR coalesce(
            e.lift_axle_up AND list_contains(regexp_extract_all(u.lift_axles, '[0-9]+'), left(w.wheel, 1)), false
        ) AS silent
    FROM wheels AS w
    JOIN events AS e ON e.piece_key = w.piece_key AND e.event_id = w.event_id
    LEFT JOIN units AS u ON u.vehicle_id = e.vehicle_id
)
SELECT
    t.* REPLACE (
        t.sensed AND NOT t.silent AS sensed,
        CASE WHEN NOT t.silent THEN t.lockup END AS lockup,
        CASE WHEN NOT t.silent THEN t.lockup_s END AS lockup_s,
        CASE WHEN NOT t.silent THEN t.lockup_longest_s END AS lockup_longest_s,
        CASE WHEN NOT t.silent THEN t.lockup_onset_s END AS lockup_onset_s,
        CASE WHEN NOT t.silent THEN t.lockup_onset_speed_mps END AS lockup_onset_speed_mps,
        CASE WHEN NOT t.silent THEN t.lockup_speed_mps END AS lockup_speed_mps,
        CASE WHEN NOT t.silent THEN t.lockup_open_mps END AS lockup_open_mps,
        CASE WHEN NOT t.silent THEN t.slide_m END AS slide_m,
        CASE WHEN NOT t.silent THEN t.peak_slip END AS peak_slip,
        CASE WHEN NOT t.silent THEN t.near_lockups END AS near_lockups,
        CASE WHEN NOT t.silent THEN t.near_lockup_slip END AS near_lockup_slip,
        CASE WHEN NOT t.silent THEN t.peak_wheel_fall_mps2 END AS peak_wheel_fall_mps2,
        CASE WHEN NOT t.silent THEN t.dropout_s END AS dropout_s,
        CASE WHEN NOT t.silent THEN t.free_slip END AS free_slip,
        CASE WHEN NOT t.silent THEN t.steady_slip END AS steady_slip,
        CASE WHEN NOT t.silent THEN t.released_slip END AS released_slip,
        CASE WHEN NOT t.silent OR t.peak_pressure_kpa IS NOT NULL THEN t.modulation_cycles END AS modulation_cycles,
        CASE WHEN NOT t.silent OR t.peak_pressure_kpa IS NOT NULL THEN t.modulation_seen_hz END AS modulation_seen_hz
    )
FROM told AS t
