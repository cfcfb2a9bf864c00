-- Grain: one row a vehicle of the register or with an event up to the day.
-- Units: max_mass_kg in kg.
with
register as (select * from vehicles),
events_seen as (select distinct vehicle_id from events, run where started_at < run.until and vehicle_id is not null)

select
    coalesce(r.vehicle_id, e.vehicle_id) as vehicle_id,
    r.category,
    r.depot,
    r.actuation,
    finite(r.max_mass_kg) as max_mass_kg,
    coalesce(r.abs_fitted, true) as abs_fitted,  -- unknown: taken as fitted, so that a lockup is not overlooked
    r.inspection_due_on
from register as r
full join events_seen as e using (vehicle_id)
