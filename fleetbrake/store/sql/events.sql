-- Grain: one row an event, published. Units in the names, SI, UTC. NULL: could not be observed.
WITH found AS (SELECT * FROM int_events),
demands AS (SELECT event_id, near_full FROM int_emergencies),
incidents AS (SELECT event_id, incident FROM int_incidents),
efforts AS (SELECT piece_key, event_id, friction_brake_kj, friction_brake_se_kj FROM int_brake_work),
allowances AS (
    -- one that is not allowed decides; one that cannot be told leaves the rest open
    SELECT
        piece_key,
        event_id,
        any_value(lockup_rule) AS lockup_rule,
        CASE WHEN bool_or(NOT lockup_allowed) THEN false WHEN count(*) = count(lockup_allowed) THEN true END
            AS lockup_allowed
    FROM int_allowed_lockups
    GROUP BY piece_key, event_id
),
limits AS (SELECT * FROM criteria),
words AS (SELECT * FROM int_wheel_words),
cutoffs AS (
    -- what the register says of the wheels comes before what the recording said alone
    SELECT
        f.* REPLACE (
            CASE WHEN w.any_silent THEN w.lockup ELSE f.lockup END AS lockup,
            CASE WHEN w.any_silent THEN w.lockup_s ELSE f.lockup_s END AS lockup_s,
            CASE WHEN w.any_silent THEN w.lockup_speed_mps ELSE f.lockup_speed_mps END AS lockup_speed_mps,
            CASE WHEN w.any_silent THEN w.lockup_open_mps ELSE f.lockup_open_mps END AS lockup_open_mps,
            CASE WHEN w.any_silent THEN w.wheels_locked ELSE f.wheels_locked END AS wheels_locked,
            CASE WHEN w.any_silent THEN w.wheels_observed ELSE f.wheels_observed END AS wheels_observed,
            nullif(concat_ws('; ', f.notes, w.remark), '') AS notes
        ),
        coalesce(f.abs_cutoff_speed_mps, l.cutoff_speed_mps) AS cutoff_speed_mps
    FROM found AS f
    LEFT JOIN words AS w ON w.piece_key = f.piece_key AND w.event_id = f.event_id
    CROSS JOIN limits AS l
)
SELECT
    e.* EXCLUDE (
        piece_key, continuous, onset_at, end_at, actuation, abs_cutoff_speed_mps, hard_from_mps2, not_hard_under_mps2,
        modulation_seen_hz, air_path_m3ps2, retarder_path_m, retarded_mps2,
        retarded_speed_mps, retarded_share, driver_forgotten
    ),
    -- where the rate hides the peak, what was reached at least can make a hard stop but not rule one out
    CASE
        WHEN e.not_braking IS NOT NULL THEN NULL
        WHEN coalesce(e.peak_decel_mps2, e.peak_decel_at_least_mps2) >= e.hard_from_mps2 THEN true
        WHEN e.peak_decel_mps2 < e.not_hard_under_mps2 THEN false
    END AS hard_stop,
    -- what could be decided above the cut-off speed is decided, whatever stays open below it
    CASE
        WHEN e.lockup AND e.lockup_speed_mps > e.cutoff_speed_mps THEN true
        WHEN e.lockup_open_mps > e.cutoff_speed_mps THEN NULL
        WHEN e.lockup THEN e.lockup_speed_mps > e.cutoff_speed_mps
        WHEN e.lockup IS NULL AND e.lockup_open_mps IS NOT NULL THEN false
        ELSE e.lockup
    END AS lockup_above_cutoff,
    CASE
        WHEN e.modulation_seen_hz <= coalesce(e.modulation_rate_hz, e.wheel_rate_hz) / l.frequency_rate_factor
            AND coalesce(e.modulation_rate_hz, e.wheel_rate_hz) >= CASE
                WHEN e.actuation IN ('air', 'air_over_hydraulic') THEN l.alias_free_air_hz
                ELSE l.alias_free_hydraulic_hz
            END
            THEN e.modulation_seen_hz
    END AS modulation_hz,
    -- one that is not known leaves it open, unless the other is true
    CASE WHEN e.not_braking IS NULL THEN d.near_full OR e.friction_used_up END AS emergency_application,
    i.incident,
    t.friction_brake_kj,
    t.friction_brake_se_kj,
    a.lockup_rule,
    a.lockup_allowed
FROM cutoffs AS e
JOIN demands AS d ON d.event_id = e.event_id
LEFT JOIN incidents AS i ON i.event_id = e.event_id
LEFT JOIN efforts AS t ON t.piece_key = e.piece_key AND t.event_id = e.event_id
LEFT JOIN allowances AS a ON a.piece_key = e.piece_key AND a.event_id = e.event_id
CROSS JOIN limits AS l
ORDER BY e.started_at, e.event_id
