-- Grain: one row an event, published. Units in the names, SI, UTC. NULL: could not be observed.
WITH found AS (SELECT * FROM int_events),
demands AS (SELECT event_id, near_full FROM int_emergencies),
incidents AS (SELECT event_id, incident FROM int_incidents),
limits AS (SELECT * FROM criteria),
cutoffs AS (
    SELECT f.*, coalesce(f.abs_cutoff_speed_mps, l.cutoff_speed_mps) AS cutoff_speed_mps
    FROM found AS f
    CROSS JOIN limits AS l
)
SELECT
    e.* EXCLUDE (
        piece_key, continuous, onset_at, end_at, actuation, abs_cutoff_speed_mps, hard_from_mps2, not_hard_under_mps2,
        modulation_seen_hz
    ),
    -- where the rate hides the peak, what was reached at least can make a hard stop but not rule one out
    CASE
        WHEN e.not_braking IS NOT NULL THEN NULL
        WHEN coalesce(e.peak_decel_mps2, e.peak_decel_at_least_mps2) >= e.hard_from_mps2 THEN true
        WHEN e.peak_decel_mps2 < e.not_hard_under_mps2 THEN false
    END AS hard_stop,
    CASE WHEN e.lockup THEN e.lockup_speed_mps > e.cutoff_speed_mps ELSE e.lockup END AS lockup_above_cutoff,
    CASE
        WHEN e.modulation_seen_hz <= e.wheel_rate_hz / l.frequency_rate_factor
            AND e.wheel_rate_hz >= CASE
                WHEN e.actuation IN ('air', 'air_over_hydraulic') THEN l.alias_free_air_hz
                ELSE l.alias_free_hydraulic_hz
            END
            THEN e.modulation_seen_hz
    END AS modulation_hz,
    -- one that is not known leaves it open, unless the other is true
    CASE WHEN e.not_braking IS NULL THEN d.near_full OR e.friction_used_up END AS emergency_application,
    i.incident
FROM cutoffs AS e
JOIN demands AS d ON d.event_id = e.event_id
LEFT JOIN incidents AS i ON i.event_id = e.event_id
CROSS JOIN limits AS l
ORDER BY e.started_at, e.event_id
