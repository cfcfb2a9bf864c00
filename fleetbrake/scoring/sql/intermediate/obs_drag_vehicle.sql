-- Grain: one row an application and measure. coasting: deceleration in m/s2 while neither foot asks anything, beyond
-- rolling and air drag, on a level road where the slope is known (int_slopes); what the engine takes is in it, as in the
-- peers'. release: s from the demand being let go to the deceleration being gone; typical is what the rules for new
-- vehicles allow. Both are of the whole vehicle. An endurance brake would be taken for drag: vehicles without one only.
-- Applications with trailers or without, as the vehicle usually goes. Units: SI.
with
events_in as (
    select
        e.*, t.towing,
        finite(e.coast_mps2) - coalesce(s.slope_mps2, 0) as level_mps2,
        finite(e.coast_speed_mps) as speed_mps
    from stg_events as e
    left join int_slopes as s using (event)
    join int_towing as t on t.vehicle = e.vehicle and t.towing = (e.pairing <> '')
),
coasts as (
    select
        e.*,
        case when coalesce(e.heavy, false) then pr.rolling_heavy else pr.rolling_light end * 9.80665 as rolling_mps2,
        coalesce(e.mass_kg, case when not e.heavy then e.max_mass_kg end) as mass,
        case
            when e.category = 'N3' then pr.air_drag_n3 when e.category = 'M3' then pr.air_drag_m3
            when e.heavy then pr.air_drag_m2_n2 when e.category = 'N1' then pr.air_drag_n1 else pr.air_drag_m1
        end as air_kg_per_m
    from events_in as e
    cross join priors as pr
    where e.level_mps2 is not null and e.no_endurance
)

select
    'brake_drag' as indicator,
    'coasting' as measure,
    vehicle_id,
    vehicle,
    '' as wheel,
    0 as wheel_no,
    concat_ws('/', category, case when towing then 'towing' end) as peer_group,
    event_id,
    event,
    started_at,
    on_day,
    level_mps2 - rolling_mps2 - air_kg_per_m * speed_mps ^ 2 / mass as x,
    null::double as typical
from coasts
where mass > 0
union all
select
    'brake_drag', 'release', e.vehicle_id, e.vehicle, '', 0, concat_ws('/', e.actuation, case when e.towing then 'towing' end),
    e.event_id, e.event, e.started_at, e.on_day, e.release_s,
    case when e.actuation in ('air', 'air_over_hydraulic') then pr.release_air_s else pr.release_other_s end
from events_in as e
cross join priors as pr
where e.release_s is not null and e.by_driver
