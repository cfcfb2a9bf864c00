-- Grain: one row a unit and a unit that it was seen coupled with (towing unit or trailer).
-- units_seen: with how many units the first was seen; other_seen_with: with how many the other. Where either is 1 the
-- recordings cannot tell the two apart. explained: how much less (0 or below) the combinations brake that have the other
-- but not this unit: ln of effectiveness against all seen the same way, the upper middle over their units (one weak unit
-- among two is not the other's doing), drawn towards none where few units show it. Of all units but one the middle is
-- one of two neighbours in the list of all: no unit is compared with every other one.
with
combinations as (select * from int_effectiveness_level where towing),
centred as (
    select c.*, c.x - median(c.x) over (partition by c.way) as off
    from combinations as c
),
units as (
    select event_id, vehicle_id, on_day, off, list_prepend(vehicle_id, string_split(pairing, '+')) as members
    from centred
),
couples as (
    select event_id, on_day, off, members, unnest(members) as unit from units
),
pairs as (
    select unit, other, count(*) as events, count(distinct on_day) as days, median(off) as off
    from (select unit, unnest(members) as other, event_id, on_day, off from couples)
    where unit <> other
    group by all
),
seen as (
    select unit, count(*) as units, list_reverse_sort(list(off)) as offs, units // 2 as half
    from pairs
    group by unit
)

select
    p.unit as vehicle_id,
    p.other as other_id,
    p.events,
    p.days,
    s.units as units_seen,
    o.units as other_seen_with,
    -- without this unit's own: the one at half of the rest, counted from the greatest
    case
        when o.units > 1
            then least(0, case when p.off < o.offs[o.half] then o.offs[o.half] else o.offs[o.half + 1] end)
            * (o.units - 1) / (o.units - 1 + pr.pairing_weight)
        else 0
    end as explained
from pairs as p
join seen as s on s.unit = p.unit
join seen as o on o.unit = p.other
cross join priors as pr
