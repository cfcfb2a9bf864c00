-- Grain: as int_effectiveness; x with what the strength of the demand explains taken out: rolling and air drag, and the
-- pressure at which brakes begin to bite, weigh more in gentle braking, and drivers differ in how they brake.
-- The slope is of x over ln(demand) within vehicles and pairings, pooled over all that are observed the same way.
with
applications as (select * from int_effectiveness),
middles as (
    select vehicle, pairing, way, median(x_raw) as x_middle, median(ln_demand) as demand_middle
    from applications
    group by all
),
within as (
    select
        a.way, a.vehicle,
        a.ln_demand - m.demand_middle as du,
        -- far off is a fault or a slip of the mass, no matter of the demand
        greatest(-pr.demand_slope_clip, least(pr.demand_slope_clip, a.x_raw - m.x_middle)) as dx
    from applications as a
    join middles as m using (vehicle, pairing, way)
    cross join priors as pr
    where a.ln_demand is not null
),
slopes as (
    select way, round(sum(du * dx) / nullif(sum(du * du), 0), 6) as slope
    from within cross join priors as pr
    group by way, pr.demand_slope_events
    having count(*) >= pr.demand_slope_events
),
usual as (select way, median(demand_middle) as usual_demand from middles group by way)

select
    a.* exclude (x_raw, ln_demand),
    a.x_raw - coalesce(s.slope * (a.ln_demand - u.usual_demand), 0) as x
from applications as a
left join slopes as s using (way)
left join usual as u using (way)
