-- Grain: a published event with the work of its friction brakes (friction_brake_kj) and its standard error, both in kJ.
-- What the vehicle lost (brake_energy_kj), less recuperation, retarder, engine, rolling and air drag. Heat of slipping
-- tyres and the rotating parts (some 2 % each way) are not told apart. Masses in kg, speeds in m/s, paths in m.
-- Engine: what coasting shows beyond rolling and air, where it was seen; else not taken off. Retarder: from what it did
-- alone; where it worked and never alone: NULL. NULL too where the register says that the vehicle recuperates or has a
-- retarder and the recording does not have the channel, and without mass or category.
WITH events AS (SELECT * FROM int_events),
units AS (SELECT vehicle_id, string_split(coalesce(endurance_brake, 'none'), '+') AS endurance FROM vehicles),
limits AS (
    SELECT
        *,
        9.80665 AS g,
        MAP {
            'M1': drag_area_m1, 'N1': drag_area_n1, 'M2': drag_area_m2_n2, 'N2': drag_area_m2_n2,
            'M3': drag_area_m3, 'N3': drag_area_n3
        } AS drag_areas
    FROM criteria
),
loads AS (
    SELECT
        e.piece_key,
        e.event_id,
        e.brake_energy_kj,
        e.gross_mass_kg AS mass,
        e.braking_distance_m AS path,
        e.grade,
        e.air_path_m3ps2,
        e.retarder_path_m,
        e.coast_mps2,
        e.coast_speed_mps,
        e.retarded_mps2,
        e.retarded_speed_mps,
        e.retarded_share,
        l.g * CASE
            WHEN list_contains(l.light_categories, e.category) THEN l.rolling_light
            WHEN list_contains(l.categories, e.category) THEN l.rolling_heavy
        END AS rolling_mps2,
        0.5 * l.air_density_kgpm3 * l.drag_areas[e.category] AS air_kg_per_m,
        CASE WHEN e.regen_kj IS NOT NULL OR NOT list_contains(u.endurance, 'regen') THEN coalesce(e.regen_kj, 0) END
            AS regen_kj,
        CASE
            WHEN e.retarder_s IS NOT NULL OR NOT list_has_any(u.endurance, ['retarder', 'engine'])
                THEN coalesce(e.retarder_s, 0)
        END AS retarder_s
    FROM events AS e
    JOIN units AS u ON u.vehicle_id = e.vehicle_id
    CROSS JOIN limits AS l
),
engines AS (
    SELECT
        *,
        greatest(
            coalesce(coast_mps2 - rolling_mps2 - air_kg_per_m * coast_speed_mps * coast_speed_mps / mass, 0), 0
        ) AS engine_mps2
    FROM loads
    WHERE mass > 0
),
shares AS (
    SELECT
        *,
        mass * (rolling_mps2 * path + air_kg_per_m * air_path_m3ps2 / mass) / 1000 AS drag_kj,
        mass * engine_mps2 * path / 1000 AS engine_kj,
        CASE
            WHEN retarder_s = 0 THEN 0
            WHEN retarded_share > 0 THEN mass * retarder_path_m / 1000 * (
                retarded_mps2 - rolling_mps2 - engine_mps2
                - air_kg_per_m * retarded_speed_mps * retarded_speed_mps / mass
            ) / retarded_share
        END AS retarder_kj
    FROM engines
),
lefts AS (
    -- not greatest(x, 0), which is 0 where x is NULL
    SELECT
        *,
        brake_energy_kj - regen_kj - drag_kj - engine_kj
        - CASE WHEN retarder_kj < 0 THEN 0 ELSE retarder_kj END AS left_kj
    FROM shares
)
SELECT
    s.piece_key,
    s.event_id,
    CASE WHEN s.left_kj < 0 THEN 0 ELSE s.left_kj END AS friction_brake_kj,
    CASE WHEN s.left_kj IS NOT NULL THEN sqrt(
        power(l.mass_error_share * s.brake_energy_kj, 2)
        + power(l.drag_error_share * (s.drag_kj + s.engine_kj), 2)
        + power(l.endurance_error_share * (s.regen_kj + s.retarder_kj), 2)
        + power(CASE WHEN s.grade IS NULL THEN l.grade_unknown ELSE 0 END * s.mass * l.g * s.path / 1000, 2)
    ) END AS friction_brake_se_kj
FROM lefts AS s
CROSS JOIN limits AS l
