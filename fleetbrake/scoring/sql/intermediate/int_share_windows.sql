-- Grain: one row a share series and window: all its events, their newer half, their newest quarter.
-- A fault that began lately would drown in months of sound events; windows make it seen.
with
observations as (select * from int_shares),
windows as (select unnest([1, 2, 4]) as parts),
numbered as (
    select
        *,
        row_number() over (partition by indicator, vehicle_id, wheel order by started_at desc, event_id desc) as back,
        count(*) over (partition by indicator, vehicle_id, wheel) as events
    from observations
)

select
    o.indicator, o.vehicle_id, o.wheel, w.parts,
    count(*) as n,
    count_if(o.hit)::bigint as k,
    count_if(coalesce(o.outside_emergency, false))::bigint as outside_emergency,
    round(avg(o.expected), 9) as e,
    min(o.on_day) filter (o.hit) as first_hit
from numbered as o
join windows as w on o.back * w.parts <= o.events + w.parts - 1
group by all
