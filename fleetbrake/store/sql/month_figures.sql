-- Grain: one row a month (UTC), depot and category (NULL: not known): events by class, published. Units: km.
-- A trip counts in the month in which it began; one inside another trip of the vehicle was told twice. Observed
-- kilometres of a class: those of vehicles with brake applications in the month, times the share that tells the class.
WITH found AS (
    SELECT *, strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, not_braking IS NULL AS braking
    FROM events
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
possible AS (
    SELECT t.trip_id, t.vehicle_id, t.started_at, t.distance_km
    FROM trips AS t
    CROSS JOIN record_criteria AS c
    WHERE isfinite(t.distance_km) AND t.distance_km > 0 AND t.distance_km <= c.trip_most_km
    WINDOW before AS (
        PARTITION BY t.vehicle_id ORDER BY t.started_at, t.ended_at DESC, t.distance_km DESC, t.trip_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    )
    QUALIFY coalesce(t.ended_at > max(t.ended_at) OVER before, true)
),
driven AS (
    SELECT
        strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month,
        vehicle_id,
        sum(distance_km ORDER BY trip_id) AS km
    FROM possible
    WHERE started_at IS NOT NULL
    GROUP BY ALL
),
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
