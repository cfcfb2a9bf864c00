-- Grain: one row a depot and day (UTC) with events: what its roads were like, from the surfaces of all its events.
with
counts as (
    select
        coalesce(depot, '') as depot, on_day, count(*) as events,
        count_if(surface = 'snow_or_ice') as snowy, count_if(surface = 'wet_paved') as wet
    from stg_events
    group by all
)

select
    c.depot, c.on_day,
    case
        when c.snowy >= pr.condition_least and c.snowy >= pr.condition_share * c.events then 'snow_or_ice'
        when c.wet >= pr.condition_least and c.wet >= pr.condition_share * c.events then 'wet'
        else 'dry'
    end as condition
from counts as c
cross join priors as pr
