-- Grain: a published event, with what the registers say of its vehicle and trip. Units in the names, SI, UTC.
-- Where trips of a vehicle overlap, the one begun last counts.
WITH events AS MATERIALIZED (SELECT * FROM stg_events),  -- rows of the lake, which can be read once only
kept AS (SELECT piece_key, event_id FROM int_fates WHERE fate = 'kept'),
units AS (
    SELECT
        vehicle_id,
        category,
        depot,
        actuation,
        abs_cutoff_speed_mps,
        coalesce(list_contains(string_split(endurance_brake, '+'), 'regen'), false) AS recuperates,
        coalesce(list_has_any(string_split(endurance_brake, '+'), ['retarder', 'engine']), false) AS retards
    FROM vehicles
),
trips AS (SELECT * FROM int_trips),
journeys AS (
    SELECT e.piece_key, e.event_id, j.trip_id, j.driver_id
    FROM (SELECT piece_key, event_id, vehicle_id, started_at FROM events) AS e
    ASOF JOIN trips AS j ON j.vehicle_id = e.vehicle_id AND e.started_at >= j.started_at
    WHERE e.started_at <= j.ended_at
),
told AS (
    -- hidden: the register names something else that brakes, and the recording does not say how much it did
    SELECT
        e.*,
        u.* EXCLUDE (vehicle_id),
        coalesce(u.recuperates AND e.regen_kj IS NULL OR u.retards AND e.retarder_s IS NULL, false) AS hidden
    FROM events AS e
    JOIN kept AS k ON k.piece_key = e.piece_key AND k.event_id = e.event_id
    LEFT JOIN units AS u ON u.vehicle_id = e.vehicle_id
),
limits AS (SELECT categories, light_categories, hard_stop_light_mps2, hard_stop_heavy_mps2 FROM criteria)
SELECT
    e.* EXCLUDE (category, depot, actuation, abs_cutoff_speed_mps, recuperates, retards, hidden) REPLACE (
        -- where the recording named somebody who was forgotten, the trip's driver is another one
        CASE
            WHEN e.driver_id IS NOT NULL OR e.driver_forgotten THEN e.driver_id
            ELSE j.driver_id
        END AS driver_id,
        -- a share of recuperation, retarder or engine brake that was not recorded may be any: no word on the brakes
        CASE WHEN NOT e.hidden THEN e.effectiveness END AS effectiveness,
        CASE WHEN NOT e.hidden THEN e.effectiveness_change END AS effectiveness_change,
        CASE WHEN NOT e.hidden THEN e.brake_energy_kj END AS brake_energy_kj,
        -- an engine brake is there before the demand and taken off; recuperation comes and goes with it
        CASE WHEN e.recuperates IS NOT TRUE OR e.regen_kj IS NOT NULL THEN e.build_up_s END AS build_up_s,
        CASE WHEN e.recuperates IS NOT TRUE OR e.regen_kj IS NOT NULL THEN e.release_s END AS release_s
    ),
    j.trip_id,
    e.category,
    e.depot,
    e.actuation,
    e.abs_cutoff_speed_mps,
    -- category unknown: a hard stop from the higher threshold, none under the lower one
    CASE
        WHEN list_contains(l.light_categories, e.category) THEN l.hard_stop_light_mps2
        WHEN list_contains(l.categories, e.category) THEN l.hard_stop_heavy_mps2
        ELSE greatest(l.hard_stop_light_mps2, l.hard_stop_heavy_mps2)
    END AS hard_from_mps2,
    CASE
        WHEN list_contains(l.light_categories, e.category) THEN l.hard_stop_light_mps2
        WHEN list_contains(l.categories, e.category) THEN l.hard_stop_heavy_mps2
        ELSE least(l.hard_stop_light_mps2, l.hard_stop_heavy_mps2)
    END AS not_hard_under_mps2
FROM told AS e
LEFT JOIN journeys AS j ON j.piece_key = e.piece_key AND j.event_id = e.event_id
CROSS JOIN limits AS l
