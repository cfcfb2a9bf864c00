-- Grain: one row an application with trailers from before one of its units had work that changes how hard it brakes: it
-- says nothing of the combination as it is now, for none of the units. A passed test of one unit changes nothing.
with
renewed as (
    select vehicle_id, max(restart_on) as restart_on
    from stg_restarts
    where indicator = 'low_brake_effectiveness' and reason in ('repair', 'running_in')
    group by vehicle_id
),
members as (
    select event, on_day, unnest(list_prepend(vehicle_id, string_split(pairing, '+'))) as unit
    from stg_events
    where pairing <> '' and on_day <= (select max(restart_on) from renewed)
)

select distinct m.event
from members as m
join renewed as r on r.vehicle_id = m.unit and m.on_day <= r.restart_on
