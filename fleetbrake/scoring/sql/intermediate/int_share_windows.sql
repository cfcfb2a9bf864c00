-- Grain: one row a share series and possible beginning: all its events, and from each of its hits to the newest event.
-- A fault that began lately would drown in months of sound events; looking from every hit on makes it seen, and tells
-- the day. n and k count events; deff: how much less they say because events of one trip are alike.
with
shares as (select * from int_shares),
hits as (
    select
        series, back, on_day,
        row_number() over (partition by series order by back) as k,
        count(*) filter (outside_emergency) over (partition by series order by back) as outside,
        trip is distinct from lag(trip) over (partition by series order by back) as new_trip
    from shares
    where hit
),
counted as (
    select *, count(*) filter (new_trip) over (partition by series order by back) as hit_trips from hits
),
oldest as (select series, max(back) as back from shares group by series),
wholes as (
    select
        o.series, o.back, coalesce(max(c.k), 0) as k, coalesce(max(c.outside), 0) as outside,
        coalesce(max(c.hit_trips), 0) as hit_trips, min(c.on_day) as first_hit
    from oldest as o
    left join counted as c on c.series = o.series
    group by o.series, o.back
),
beginnings as (
    select series, back, k, outside, hit_trips, first_hit, true as whole from wholes
    union all
    select c.series, c.back, c.k, c.outside, c.hit_trips, c.on_day, false
    from counted as c
    join oldest as o using (series)
    where c.back < o.back
)

select
    p.indicator, p.measure, u.vehicle_id, wheel_name(series_wheel(s.series)) as wheel,
    b.whole,
    b.back as n,
    b.k::bigint as k,
    b.outside::bigint as outside_emergency,
    round(s.expected_sum / b.back, 9) as e,
    s.trips::bigint as trips,
    b.hit_trips::bigint as hit_trips,
    1 + (b.back / s.trips - 1) * pr.alike_in_trip as deff,
    b.first_hit
from beginnings as b
join shares as s on s.series = b.series and s.back = b.back
join indicator_priors as p on p.number = series_measure(s.series)
join stg_units as u on u.vehicle = series_vehicle(s.series)
cross join priors as pr
