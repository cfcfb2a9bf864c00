-- Grain: one row a vehicle of the register or with an event. Events after the day count for nothing but for being
-- told: a vehicle that has no others would else be missing from the ranking without a word.
-- Units: max_mass_kg in kg.
with
register as (select * from vehicles),
events_seen as (
    select
        e.vehicle_id, count_if(e.started_at < run.until) as events_until, count_if(e.started_at >= run.until) as events_after
    from events as e, run
    where e.vehicle_id is not null
    group by e.vehicle_id
)

select
    coalesce(r.vehicle_id, e.vehicle_id) as vehicle_id,
    r.category,
    r.depot,
    r.actuation,
    finite(r.max_mass_kg) as max_mass_kg,
    coalesce(r.abs_fitted, true) as abs_fitted,  -- unknown: taken as fitted, so that a lockup is not overlooked
    r.inspection_due_on,
    coalesce(e.events_until, 0) as events_until,
    coalesce(e.events_after, 0) as events_after
from register as r
full join events_seen as e using (vehicle_id)
