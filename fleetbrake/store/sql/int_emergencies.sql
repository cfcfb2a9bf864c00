-- Grain: a published event; whether its demand was near full (NULL: cannot be told).
-- demand_peak in % of pedal travel or in kPa. The pressure of a full application hangs on the actuation; where that
-- leaves it open (line or chamber?), only what holds for both is said.
WITH events AS (SELECT event_id, demand_kind, demand_peak, actuation FROM int_events),
limits AS (
    SELECT near_full_pedal_pct, near_full_pressure_hydraulic_kpa, near_full_pressure_air_kpa FROM criteria
),
thresholds AS (
    SELECT
        e.*,
        CASE
            WHEN e.demand_kind = 'pedal' THEN l.near_full_pedal_pct
            WHEN e.demand_kind <> 'pressure' THEN NULL
            WHEN e.actuation = 'hydraulic' THEN l.near_full_pressure_hydraulic_kpa
            WHEN e.actuation = 'air' THEN l.near_full_pressure_air_kpa
            ELSE greatest(l.near_full_pressure_hydraulic_kpa, l.near_full_pressure_air_kpa)
        END AS near_full_from,
        CASE
            WHEN e.demand_kind = 'pedal' THEN l.near_full_pedal_pct
            WHEN e.demand_kind <> 'pressure' THEN NULL
            WHEN e.actuation = 'hydraulic' THEN l.near_full_pressure_hydraulic_kpa
            WHEN e.actuation = 'air' THEN l.near_full_pressure_air_kpa
            ELSE least(l.near_full_pressure_hydraulic_kpa, l.near_full_pressure_air_kpa)
        END AS not_near_full_under
    FROM events AS e
    CROSS JOIN limits AS l
)
SELECT
    event_id,
    CASE
        WHEN demand_peak >= near_full_from THEN true
        WHEN demand_peak < not_near_full_under THEN false
    END AS near_full
FROM thresholds
