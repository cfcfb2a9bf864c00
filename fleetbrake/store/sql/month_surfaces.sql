-- Grain: one row a month (UTC), depot, category and surface (NULL: not told): events by class, published.
-- *_on_km: of vehicles with observed kilometres for that class in the month, as month_figures has them: those that
-- drove and braked, and of which at least one application told the class. They add up to month_figures.
WITH found AS (
    SELECT *, strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, not_braking IS NULL AS braking
    FROM counted_events
    WHERE started_at IS NOT NULL
),
driven AS (SELECT month, vehicle_id FROM month_work WHERE distance_km > 0),
observed AS (
    SELECT
        f.month,
        f.vehicle_id,
        f.depot,
        f.category,
        bool_or(f.hard_stop IS NOT NULL) AS hard_stops,
        bool_or(f.modulation IS NOT NULL) AS modulation,
        bool_or(f.lockup_above_cutoff IS NOT NULL) AS above
    FROM found AS f
    JOIN driven AS d ON d.month = f.month AND d.vehicle_id = f.vehicle_id
    WHERE f.braking
    GROUP BY ALL
),
counted AS (
    SELECT
        f.month,
        f.depot,
        f.category,
        nullif(f.surface, 'unknown') AS surface,
        f.vehicle_id,
        count(*) AS events,
        count(f.not_braking) AS not_braking,
        count_if(f.hard_stop) AS hard_stops,
        count_if(f.hard_stop IS NULL) AS hard_stops_unknown,
        count_if(f.hard_stop AND o.hard_stops) AS hard_stops_on_km,
        count_if(f.modulation) AS modulation,
        count_if(f.modulation IS NULL) AS modulation_unknown,
        count_if(f.modulation AND o.modulation) AS modulation_on_km,
        count_if(f.lockup_above_cutoff) AS above,
        count_if(f.lockup_above_cutoff IS NULL) AS above_unknown,
        count_if(f.lockup_above_cutoff AND o.above) AS above_on_km
    FROM found AS f
    LEFT JOIN observed AS o
        ON o.month = f.month AND o.vehicle_id = f.vehicle_id AND o.depot IS NOT DISTINCT FROM f.depot
        AND o.category IS NOT DISTINCT FROM f.category
    GROUP BY ALL
)
SELECT
    month, depot, category, surface,
    count(*) AS vehicles,
    sum(events) AS events,
    sum(not_braking) AS not_braking,
    sum(hard_stops) AS hard_stops,
    sum(hard_stops_unknown) AS hard_stops_unknown,
    sum(hard_stops_on_km) AS hard_stops_on_km,
    sum(modulation) AS modulation,
    sum(modulation_unknown) AS modulation_unknown,
    sum(modulation_on_km) AS modulation_on_km,
    sum(above) AS lockups_above_cutoff,
    sum(above_unknown) AS lockups_above_cutoff_unknown,
    sum(above_on_km) AS lockups_above_cutoff_on_km
FROM counted
GROUP BY month, depot, category, surface
ORDER BY month, depot NULLS LAST, category NULLS LAST, surface NULLS LAST
