-- Grain: one row a vehicle of the register, with an event, or that an inspection, a test or a report up to the day
-- names: what was found on a vehicle is told, whether a register knows it or not. Events after the day count for nothing but for being
-- told: a vehicle that has no others would else be missing from the ranking without a word.
-- heavy: of a category, or (without one) of a greatest mass, whose load changes the deceleration by more than a brake
-- fault does. vehicle, area: numbers of the vehicle and its depot, in order of name. Units: masses in kg.
with
register as (select * from vehicles),
events_seen as (
    select
        e.vehicle_id, count_if(e.started_at < run.until) as events_until, count_if(e.started_at >= run.until) as events_after
    from events as e, run
    where e.vehicle_id is not null
    group by e.vehicle_id
),
known as (
    select vehicle_id from register
    union select vehicle_id from events_seen
    union select vehicle_id from inspections, run where inspected_on <= run.known_on
    union select vehicle_id from brake_tests, run where tested_on <= run.known_on
    union select vehicle_id from defect_reports, run where reported_at < run.known_until
)

select
    k.vehicle_id,
    (row_number() over (order by k.vehicle_id))::integer as vehicle,
    (dense_rank() over (order by coalesce(r.depot, '')))::integer as area,
    r.category,
    r.depot,
    r.actuation,
    r.axles,
    r.in_service_on,
    finite(r.max_mass_kg) as max_mass_kg,
    coalesce(r.category in ('M2', 'M3', 'N2', 'N3'), finite(r.max_mass_kg) > pr.light_most_kg, false) as heavy,
    coalesce(left(r.category, 1) = 'O', false) as trailer,
    coalesce(r.abs_fitted, true) as abs_fitted,  -- unknown: taken as fitted, so that a lockup is not overlooked
    coalesce(r.brake_control, 'conventional') as brake_control,
    string_split(coalesce(r.endurance_brake, 'none'), '+') as endurance,
    r.roller_tested_on,
    r.inspection_due_on,
    coalesce(e.events_until, 0) as events_until,
    coalesce(e.events_after, 0) as events_after
from known as k
left join register as r using (vehicle_id)
left join events_seen as e using (vehicle_id)
cross join priors as pr
where k.vehicle_id is not null
