-- Grain: a published event and wheel that locked: would the rule for new vehicles of its kind allow it (lockup_allowed,
-- NULL: cannot be told), and which rule that is (lockup_rule). Times in s, speeds in m/s, masses in kg.
-- A certification test is not traffic: this informs, it is no verdict on a vehicle in use.
--
-- Which rule (the US ones, as they have numbers; UN R13 and R13-H allow "brief periods" above 15 km/h without one):
--   air, air over hydraulic                    FMVSS 121 S5.3.1    20 mph, 1 s   (definition of air brakes from memory)
--   else up to 3 500 kg, or M1, N1 of no mass  FMVSS 135           15 km/h, 0.1 s
--   else up to 4 536 kg (10 000 lb)            FMVSS 105 S6.10.1   10 mph, one wheel, no duration
--   else heavier, or M3, N3 of no mass         FMVSS 105 S6.10.2   20 mph, 1 s
--   M2, N2 of no mass; trailers (O); no category; no actuation between 3 500 and 4 536 kg: no rule
-- S6.10.1 also allows what the control itself lets lock on its axle; a recording does not show whose lock it is, so that
-- two wheels are left open. S5.3.1 (b) exempts one wheel of any axle, or two of a tandem, from the 1 s; which axles make
-- a tandem no register says, so that both wheels of a rear axle of three are left open.
WITH events AS (SELECT piece_key, event_id, vehicle_id, wheel_rate_hz FROM int_events),
wheels AS (
    -- of events in which one locked at all
    SELECT * FROM int_wheels SEMI JOIN (FROM int_wheels WHERE lockup) USING (piece_key, event_id)
),
units AS (SELECT vehicle_id, category, actuation, axles, max_mass_kg FROM vehicles),
limits AS (SELECT * FROM criteria),
ruled AS (
    SELECT
        e.piece_key,
        e.event_id,
        u.axles,
        1.0 / nullif(e.wheel_rate_hz, 0) AS period_s,
        CASE
            WHEN u.category IS NULL OR u.category LIKE 'O%' THEN NULL
            WHEN u.actuation IN ('air', 'air_over_hydraulic') THEN 'FMVSS 121 S5.3.1'
            WHEN coalesce(u.max_mass_kg <= l.fmvss_135_most_kg, u.category IN ('M1', 'N1')) THEN 'FMVSS 135'
            WHEN coalesce(u.max_mass_kg > l.pounds_10000_kg, u.category IN ('M3', 'N3'))
                THEN if(u.actuation IS NULL, 'FMVSS 121 S5.3.1 or 105 S6.10.2', 'FMVSS 105 S6.10.2')
            WHEN u.max_mass_kg IS NOT NULL AND u.actuation IS NOT NULL THEN 'FMVSS 105 S6.10.1'
        END AS lockup_rule
    FROM events AS e
    JOIN units AS u ON u.vehicle_id = e.vehicle_id
    CROSS JOIN limits AS l
),
timed AS (
    SELECT
        w.piece_key,
        w.event_id,
        w.wheel,
        w.lockup,
        r.lockup_rule,
        r.axles,
        left(w.wheel, 1) AS axle,
        w.locked_above_15_kmh_s AS light_s,
        w.locked_above_10_mph_s AS middle_s,
        w.locked_above_20_mph_s AS heavy_s,
        r.period_s,
        -- a measured time is good to a period: short, long, or (neither) not to be told
        w.locked_above_20_mph_s = 0 OR w.locked_above_20_mph_s + r.period_s <= l.allowed_heavy_s AS short,
        w.locked_above_20_mph_s - r.period_s > l.allowed_heavy_s AS long
    FROM wheels AS w
    JOIN ruled AS r ON r.piece_key = w.piece_key AND r.event_id = w.event_id
    CROSS JOIN limits AS l
),
counted AS (
    SELECT
        *,
        count(*) FILTER (WHERE middle_s = 0) OVER of_event AS middle_free,
        count(*) FILTER (WHERE short) OVER of_axle AS axle_short,
        count(*) FILTER (WHERE long) OVER of_axle AS axle_long,
        count(*) FILTER (WHERE long AND axle <> '1') OVER of_event AS rear_long
    FROM timed
    WINDOW
        of_event AS (PARTITION BY piece_key, event_id),
        of_axle AS (PARTITION BY piece_key, event_id, axle)
)
SELECT
    c.piece_key,
    c.event_id,
    c.wheel,
    c.lockup_rule,
    CASE
        WHEN c.lockup_rule = 'FMVSS 135' THEN CASE
            WHEN c.light_s = 0 OR c.light_s + c.period_s <= l.allowed_light_s THEN true
            WHEN c.light_s - c.period_s > l.allowed_light_s THEN false
        END
        WHEN c.lockup_rule = 'FMVSS 105 S6.10.1' THEN CASE
            -- all other wheels are known to have rolled above the speed
            WHEN c.middle_s = 0 OR c.middle_free >= 2 * c.axles - 1 THEN true
        END
        WHEN c.lockup_rule IS NOT NULL THEN CASE
            WHEN c.short OR (c.heavy_s IS NOT NULL AND c.axle_short = 1) THEN true
            WHEN c.axle_long = 2 AND (c.axles = 2 OR (c.axles = 3 AND (c.axle = '1' OR c.rear_long > 2))) THEN false
        END
    END AS lockup_allowed
FROM counted AS c
CROSS JOIN limits AS l
WHERE c.lockup
