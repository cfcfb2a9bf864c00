-- Grain: one row a place (cell: a square of place_m) where applications began.
-- road_modulates: the control of so many different vehicles acts there in light braking that it is the road.
-- unpaved: of the applications there whose surface is known most were on loose ground.
with
events_in as (select * from stg_events where cell is not null),
counted as (
    select
        cell,
        count(distinct vehicle_id) filter (coalesce(modulation, abs_flag) is not null) as vehicles,
        count(distinct vehicle_id) filter (
            coalesce(modulation, abs_flag) and friction_used < pr.light_braking_below and abs_fitted
        ) as modulating,
        count_if(surface not in ('unknown', 'split')) as known,
        count_if(surface = 'loose') as loose
    from events_in
    cross join priors as pr
    group by all
)

select
    c.*,
    c.modulating >= pr.place_vehicles and c.modulating >= pr.place_share * c.vehicles as road_modulates,
    c.loose >= 2 and 2 * c.loose > c.known as unpaved
from counted as c
cross join priors as pr
