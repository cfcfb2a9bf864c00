-- Grain: one row a series: its value now, its own past, their standard errors (in the unit of x), its trend.
-- Now is what came after a clear change, else everything. A series without peers and without a typical value is
-- compared with its own first half. s.e. of a median = sqrt(pi / 2) * sigma / sqrt(n) over trips, sigma = 1.4826 * MAD
-- within now and within the past, drawn towards the noise of the peer group where trips are few. slope: least squares over days, in the unit of x a day.
with
levels as (select * from int_levels),
groups as (
    select g.*, p.number, g.n >= p.least_trips as enough
    from (select distinct series, peer_group, typical, n from levels) as g
    join indicator_priors as p on p.number = series_measure(g.series)
),
sizes as (
    select number, peer_group, count(distinct series_vehicle(series)) as vehicles from groups where enough group by all
),
splits as (
    select
        g.series, g.peer_group, g.typical, c.split is not null as changed,
        coalesce(c.split, case when g.typical is null and coalesce(s.vehicles, 0) <= pr.least_peers then g.n // 2 end, 0)
            as split
    from groups as g
    left join int_changes as c using (series)
    left join sizes as s using (number, peer_group)
    cross join priors as pr
),
middle as (
    select
        l.series, min(l.peer_group) as peer_group, min(l.typical) as typical, s.split, any_value(s.changed) as changed,
        count(*) filter (seq > split) as trips_now,
        count(*) filter (seq <= split) as trips_past,
        coalesce(sum(events) filter (seq > split), 0)::bigint as events_now,
        median(x) filter (seq > split) as now,
        median(x) filter (seq <= split) as past,
        1.4826 * coalesce(mad(x) filter (seq > split), 0) as spread_now,
        1.4826 * coalesce(mad(x) filter (seq <= split), 0) as spread_past,
        min(on_day) filter (seq > split) as first_day,
        finite(round(regr_slope(x, on_day - '2000-01-01'::date), 12)) as slope,
        regr_sxx(x, on_day - '2000-01-01'::date) as sxx,
        max(on_day) - min(on_day) as span
    from levels as l
    join splits as s
        on s.series = l.series and s.peer_group = l.peer_group and s.typical is not distinct from l.typical
    group by l.series, s.split
),
noise as (
    select
        p.indicator, p.measure, u.vehicle_id, wheel_name(series_wheel(m.series)) as wheel, m.*,
        sqrt((pr.noise_weight * coalesce(z.sigma, p.sigma) ^ 2
            + trips_now * spread_now ^ 2 + trips_past * spread_past ^ 2)
            / (pr.noise_weight + trips_now + trips_past)) as sigma
    from middle as m
    join indicator_priors as p on p.number = series_measure(m.series)
    join stg_units as u on u.vehicle = series_vehicle(m.series)
    left join int_noise as z on z.number = p.number and z.peer_group = m.peer_group
    cross join priors as pr
)

select
    * exclude (spread_now, spread_past, sxx),
    1.2533 * sigma / sqrt(trips_now) as error_now,
    case when trips_past > 0 then 1.2533 * sigma / sqrt(trips_past) end as error_past,
    case when sxx > 0 then sigma / sqrt(sxx) end as error_slope
from noise
