-- Grain: one row an application and unit: the vehicle alone (measure own), or towing unit and each trailer (measure
-- combination). x: natural logarithm of effectiveness (int_effectiveness_level); of a combination less what its other
-- units explain, as seen without this one. What a combination shows never clears one of its units.
with
applications as (select * from int_effectiveness_level),
members as (
    select *, unnest(list_prepend(vehicle_id, string_split(pairing, '+'))) as unit from applications where towing
),
explained as (
    select o.event, o.unit, sum(p.explained order by p.other_id) as explained
    from (select event, unit, unnest(list_prepend(vehicle_id, string_split(pairing, '+'))) as other from members) as o
    join int_pairings as p on p.vehicle_id = o.unit and p.other_id = o.other
    group by all
),
ways as (
    select unit, way, category
    from members
    group by unit, way, category
    qualify row_number() over (partition by unit order by count(*) desc, way, category) = 1
)

select
    'low_brake_effectiveness' as indicator,
    'own' as measure,
    vehicle_id,
    vehicle,
    '' as wheel,
    0 as wheel_no,
    concat_ws('/', category, way) as peer_group,
    event_id,
    event,
    started_at,
    on_day,
    x,
    null::double as typical
from applications
where not towing
union all
select
    'low_brake_effectiveness',
    'combination',
    m.unit,
    u.vehicle,
    '',
    0,
    concat_ws('/', case when m.unit = m.vehicle_id then m.category else coalesce(v.category, 'O') end, m.way),
    m.event_id,
    m.event,
    m.started_at,
    m.on_day,
    m.x - coalesce(e.explained, 0),
    null::double
from members as m
join ways as w using (unit, way, category)
left join explained as e using (event, unit)
join stg_units as u on u.vehicle_id = m.unit
left join stg_vehicles as v on v.vehicle_id = m.unit
