-- Grain: one row an application of a known driver, with the cell (category and depot-day condition) it belongs to.
-- counts: a hard stop that the driver asked for; automatic emergency braking, cruise and stability control and
-- hold are not the driver's. A source not recorded is taken as the driver.
with
events_in as (select * from stg_events where driver_id is not null),
conditions as (select * from int_conditions)

select
    e.event_id, e.driver_id, e.vehicle_id, e.category, e.incident,
    coalesce(c.condition, 'dry') as condition,
    e.by_driver and coalesce(e.hard_stop, false) as counts
from events_in as e
left join conditions as c on c.depot = coalesce(e.depot, '') and c.on_day = e.on_day
