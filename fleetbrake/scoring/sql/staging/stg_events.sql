-- Grain: one row a brake application inside the look-back, up to the end of the day (UTC).
-- Units: SI; effectiveness in m/s2 per % pedal or per kPa; energy in kJ, per t in kJ/t. NaN is NULL.
with
events_in as (
    select e.* from events as e, run
    where e.not_braking is null and e.vehicle_id is not null
        and e.started_at < run.until and e.started_at >= run.since
),
vehicles_in as (select * from stg_vehicles)

select
    e.event_id,
    e.vehicle_id,
    e.driver_id,
    e.started_at,
    (e.started_at at time zone 'UTC')::date as on_day,
    coalesce(v.category, e.category, 'unknown') as category,
    v.depot,
    coalesce(v.actuation, 'unknown') as actuation,
    v.max_mass_kg,
    v.abs_fitted,
    coalesce(e.brake_source, 'unknown') in ('driver', 'unknown') as by_driver,
    e.demand_kind,
    finite(e.gross_mass_kg) as gross_mass_kg,
    finite(e.effectiveness) as effectiveness,
    finite(e.effectiveness_change) as effectiveness_change,
    finite(e.build_up_s) as build_up_s,
    finite(e.braking_s) as braking_s,
    1000 * finite(e.brake_energy_kj) / coalesce(finite(e.gross_mass_kg), v.max_mass_kg) as energy_kj_per_t,
    finite(e.friction_used) as friction_used,
    finite(e.cutoff_speed_mps) as cutoff_speed_mps,
    coalesce(e.surface, 'unknown') as surface,
    e.hard_stop,
    e.modulation,
    e.abs_flag,
    e.lockup_above_cutoff,
    e.emergency_application,
    coalesce(e.friction_used_up, false) or coalesce(e.modulation, false) or coalesce(e.lockup, false) as at_the_limit,
    e.abs_warning_lamp,
    e.incident
from events_in as e
left join vehicles_in as v using (vehicle_id)
