-- Grain: one row an application that shows how much deceleration the demand gives, tyres not at their limit.
-- x: natural logarithm of effectiveness with load taken out (deceleration for a demand falls with mass): at full load of
-- the vehicle and its trailers, else at 1 t, else (light, alone, no mass) as driven. With electronic control the pedal
-- asks for a deceleration, whatever the brakes are worth: pressure only. A load-sensing valve keeps deceleration for
-- pedal travel about equal over load: no mass in it. A vehicle, alone or towing, is judged by one kind of demand only,
-- that with most events: kinds are different units. A slope that the accelerometer told is taken out (int_slopes; one
-- that was recorded already is); an unknown one is left in, and gentle braking, which drowns in it, left out.
with
events_in as (
    select e.*
    from stg_events as e
    anti join int_outdated as o using (event)
    where e.effectiveness > 0 and not e.at_the_limit
),
towed as (
    select pairing, case when count(v.max_mass_kg) = count(*) then sum(v.max_mass_kg order by unit) end as towed_most_kg
    from (select distinct pairing, unnest(string_split(pairing, '+')) as unit from events_in where pairing <> '') as p
    left join stg_vehicles as v on v.vehicle_id = p.unit
    group by pairing
),
loads as (
    select
        e.*,
        e.pairing <> '' as towing,
        e.brake_control in ('ebs', 'by_wire') as controlled,
        e.mass_kg > 0 as weighed,
        -- deceleration without the slope over that with it
        coalesce(1 - s.slope_mps2 / finite(e.held_decel_mps2), 1) as level_share,
        e.grade is not null or s.slope_mps2 / finite(e.held_decel_mps2) is not null as slope_known,
        case when e.pairing <> '' then e.max_mass_kg + t.towed_most_kg else e.max_mass_kg end as rated_kg
    from events_in as e
    left join int_slopes as s using (event)
    left join towed as t using (pairing)
),
usable as (
    select
        *,
        case
            when not coalesce(weighed, false) or (brake_control = 'load_sensing' and demand_kind = 'pedal') then 'as driven'
            when rated_kg > 0 then 'full load' else '1 t'
        end as basis
    from loads cross join priors as pr
    -- the pedal of an application that the driver did not ask for says nothing about the deceleration
    where (by_driver or demand_kind <> 'pedal') and (not controlled or demand_kind = 'pressure')
        and coalesce(weighed, not heavy and not controlled and not towing)
        and (slope_known or coalesce(mean_decel_mps2 >= pr.effect_least_mps2, true)) and level_share > 0
),
kinds as (
    select vehicle, towing, demand_kind, basis, count(*) as events
    from usable
    group by vehicle, towing, demand_kind, basis
    qualify row_number() over (
        partition by vehicle, towing order by events desc, basis <> 'as driven' desc, demand_kind, basis) = 1
)

select
    u.event,
    u.event_id,
    u.vehicle,
    u.vehicle_id,
    u.started_at,
    u.on_day,
    u.pairing,
    u.towing,
    u.category,
    concat_ws('/', u.actuation, u.demand_kind, u.basis,
        case when u.brake_control = 'load_sensing' then u.brake_control end) as way,
    u.heat_kj_per_t,
    ln(u.effectiveness * u.level_share * case u.basis
        when 'full load' then u.mass_kg / u.rated_kg when '1 t' then u.mass_kg / 1000 else 1 end) as x_raw,
    case when u.demand_peak > 0 then ln(u.demand_peak) end as ln_demand
from usable as u
join kinds as k using (vehicle, towing, demand_kind, basis)
