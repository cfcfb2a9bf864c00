-- Grain: one row an application that shows how much deceleration the demand gives, tyres not at their limit.
-- x: natural logarithm of effectiveness, at full load where the mass is known (effectiveness falls with mass).
-- A vehicle is judged by one kind of demand only, that with most events; mixing kinds would compare units.
with
usable as (
    select
        *,
        gross_mass_kg is not null and max_mass_kg > 0 as mass_known
    from stg_events
    -- pedal of an application that the driver did not ask for says nothing about the deceleration
    where effectiveness > 0 and not at_the_limit and (by_driver or demand_kind <> 'pedal')
),
kinds as (
    select vehicle_id, demand_kind, mass_known, count(*) as events
    from usable
    group by vehicle_id, demand_kind, mass_known
    qualify row_number() over (partition by vehicle_id order by events desc, mass_known desc, demand_kind) = 1
)

select
    'low_brake_effectiveness' as indicator,
    u.vehicle_id,
    '' as wheel,
    concat_ws('/', u.category, u.demand_kind, u.mass_known) as peer_group,
    u.event_id,
    u.started_at,
    u.on_day,
    ln(u.effectiveness * case when u.mass_known then u.gross_mass_kg / u.max_mass_kg else 1 end) as x,
    null::double as typical
from usable as u
join kinds as k using (vehicle_id, demand_kind, mass_known)
