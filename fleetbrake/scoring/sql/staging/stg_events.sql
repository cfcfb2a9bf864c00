-- Grain: one row a brake application inside the look-back, up to the end of the day (UTC).
-- event: its number in time over all vehicles, by which others sort and join without its id; vehicle: as in stg_vehicles.
-- mass_kg: as recorded in the event, else the median of what the same trip's other events recorded; with trailers it is
-- the mass of the whole combination. pairing: the trailers of the trip with + between, '' without.
-- heat_kj_per_t: what the friction brakes took in, else the loss of kinetic and potential energy.
-- cell: the place (stg_places) where the demand began, NULL without a position.
-- Units: SI; effectiveness in m/s2 per % pedal or per kPa; heat in kJ a tonne of the mass braked. NaN is NULL.
with
events_in as not materialized (
    select e.*, e.rowid as source_row from events as e, run
    where e.not_braking is null and e.vehicle_id is not null
        and e.started_at < run.until and e.started_at >= run.since
),
-- sorted with nothing beside it
numbers as (select source_row, (row_number() over (order by started_at, event_id))::uinteger as event from events_in),
vehicles_in as (select * from stg_vehicles),
trips_in as (select trip_id, vehicle_id, array_to_string(trailers, '+') as pairing from stg_trips),
trip_masses as (
    select vehicle_id, trip_id, median(finite(gross_mass_kg)) as trip_mass_kg
    from events_in
    where trip_id is not null and gross_mass_kg is not null
    group by all
)

select
    n.event, v.vehicle, e.event_id, e.vehicle_id, e.driver_id, e.trip_id, e.started_at,
    (e.started_at at time zone 'UTC')::date as on_day,
    coalesce(v.category, e.category, 'unknown') as category,
    v.depot,
    coalesce(v.actuation, 'unknown') as actuation,
    v.max_mass_kg, v.heavy, v.abs_fitted, v.brake_control,
    v.endurance = ['none'] as no_endurance,
    coalesce(t.pairing, '') as pairing,
    coalesce(e.brake_source, 'unknown') in ('driver', 'unknown') as by_driver,
    e.demand_kind,
    finite(e.demand_peak) as demand_peak,
    finite(e.gross_mass_kg) as gross_mass_kg,
    coalesce(finite(e.gross_mass_kg), m.trip_mass_kg) as mass_kg,
    finite(e.grade) as grade,
    finite(e.initial_speed_mps) as initial_speed_mps,
    finite(e.mean_decel_mps2) as mean_decel_mps2,
    finite(e.effectiveness) as effectiveness,
    finite(e.effectiveness_change) as effectiveness_change,
    finite(e.build_up_s) as build_up_s,
    finite(e.release_s) as release_s,
    finite(e.braking_s) as braking_s,
    coalesce(
        1000 * finite(e.friction_brake_kj) / finite(e.gross_mass_kg),
        (finite(e.initial_speed_mps) ^ 2 - finite(e.final_speed_mps) ^ 2) / 2
        - 9.80665 * coalesce(finite(e.grade) * finite(e.braking_distance_m), 0)
    ) as heat_kj_per_t,
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
    e.incident,
    place_cell(finite(e.latitude_deg), finite(e.longitude_deg), pr.place_m) as cell,
    finite(e.air_temp_c) as air_temp_c,
    e.sample_rate_hz,
    e.samples / e.sample_rate_hz as recording_s,
    e.wheel_rate_hz,
    e.demand_rate_hz,
    -- as published, for single models
    e.speed_source, e.peak_decel_mps2, e.held_decel_mps2, e.demand_rise_s, e.accel_tilt_mps2, e.brake_yaw_radps,
    e.brake_steer_rad, e.coast_mps2, e.coast_speed_mps, e.peak_jerk_mps3, e.last_second_share, e.friction_brake_kj
from events_in as e
left join numbers as n using (source_row)
left join vehicles_in as v using (vehicle_id)
left join trips_in as t on t.trip_id = e.trip_id and t.vehicle_id = e.vehicle_id
left join trip_masses as m on m.trip_id = e.trip_id and m.vehicle_id = e.vehicle_id
cross join priors as pr
