-- Grain: one row a month (UTC), depot and category (NULL: not known): events by class, published. Units: km.
-- Kilometres as month_work has them. Observed ones of a class: those of vehicles with brake applications in the month,
-- times the share that tells the class.
WITH found AS (
    SELECT *, strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, not_braking IS NULL AS braking
    FROM counted_events
    WHERE started_at IS NOT NULL
),
units AS (SELECT vehicle_id, depot, category FROM vehicles),
counted AS (
    SELECT
        month,
        vehicle_id,
        depot,
        category,
        count(*) AS events,
        count_if(braking) AS braked,
        count_if(hard_stop) AS hard_stops,
        count(hard_stop) FILTER (WHERE braking) AS hard_told,
        count_if(hard_stop IS NULL) AS hard_unknown,
        count_if(modulation) AS modulation,
        count(modulation) FILTER (WHERE braking) AS modulation_told,
        count_if(modulation IS NULL) AS modulation_unknown,
        count_if(lockup) AS lockups,
        count_if(lockup IS NULL) AS lockup_unknown,
        count_if(lockup_above_cutoff) AS above,
        count(lockup_above_cutoff) FILTER (WHERE braking) AS above_told,
        count_if(lockup_above_cutoff IS NULL) AS above_unknown
    FROM found
    GROUP BY month, vehicle_id, depot, category
),
driven AS (SELECT month, vehicle_id, distance_km AS km FROM month_work WHERE distance_km IS NOT NULL),
joined AS (
    SELECT
        coalesce(c.month, d.month) AS month,
        coalesce(c.vehicle_id, d.vehicle_id) AS vehicle,
        CASE WHEN c.month IS NULL THEN u.depot ELSE c.depot END AS depot,
        CASE WHEN c.month IS NULL THEN u.category ELSE c.category END AS category,
        c.* EXCLUDE (month, vehicle_id, depot, category),
        d.km,
        d.km * c.hard_told / nullif(c.braked, 0) AS hard_km,
        d.km * c.modulation_told / nullif(c.braked, 0) AS modulation_km,
        d.km * c.above_told / nullif(c.braked, 0) AS above_km
    FROM counted AS c
    FULL JOIN driven AS d ON d.month = c.month AND d.vehicle_id = c.vehicle_id
    LEFT JOIN units AS u ON u.vehicle_id = d.vehicle_id
)
SELECT
    month, depot, category,
    count(events) AS vehicles,
    coalesce(sum(events), 0) AS events, coalesce(sum(events - braked), 0) AS not_braking,
    coalesce(sum(hard_stops), 0) AS hard_stops, coalesce(sum(hard_unknown), 0) AS hard_stops_unknown,
    coalesce(sum(modulation), 0) AS modulation, coalesce(sum(modulation_unknown), 0) AS modulation_unknown,
    coalesce(sum(lockups), 0) AS lockups, coalesce(sum(lockup_unknown), 0) AS lockups_unknown,
    coalesce(sum(above), 0) AS lockups_above_cutoff, coalesce(sum(above_unknown), 0) AS lockups_above_cutoff_unknown,
    sum(km ORDER BY vehicle) AS distance_km,
    sum(hard_km ORDER BY vehicle) AS hard_stops_km, coalesce(sum(hard_stops) FILTER (hard_km > 0), 0) AS hard_stops_on_km,
    sum(modulation_km ORDER BY vehicle) AS modulation_km,
    coalesce(sum(modulation) FILTER (modulation_km > 0), 0) AS modulation_on_km,
    sum(above_km ORDER BY vehicle) AS lockups_above_cutoff_km,
    coalesce(sum(above) FILTER (above_km > 0), 0) AS lockups_above_cutoff_on_km
FROM joined
GROUP BY month, depot, category
ORDER BY month, depot NULLS LAST, category NULLS LAST
