-- Grain: one row a series: its value now, its own past, their standard errors (in the unit of x), its trend.
-- Now is what came after a clear change, else everything. A series without peers and without a typical value is
-- compared with its own first half. s.e. of a median = sqrt(pi / 2) * sigma / sqrt(n) over trips, sigma = 1.4826 * MAD
-- within now and within the past, drawn towards the noise of the peer group where trips are few. slope: least squares over days, in the unit of x a day.
with
levels as (select * from int_levels),
changes as (select * from int_changes),
sizes as (
    select l.indicator, l.measure, l.peer_group, count(distinct l.vehicle_id) as vehicles
    from levels as l join indicator_priors as p using (indicator, measure)
    where l.n >= p.least_trips
    group by all
),
halves as (
    select
        l.*, c.split is not null as changed,
        coalesce(c.split, case when l.typical is null and coalesce(s.vehicles, 0) <= pr.least_peers then l.n // 2 end, 0)
            as split
    from levels as l
    left join changes as c using (series)
    left join sizes as s using (indicator, measure, peer_group)
    cross join priors as pr
),
middle as (
    select
        series, min(indicator) as indicator, min(measure) as measure, min(vehicle_id) as vehicle_id,
        min(wheel) as wheel, min(peer_group) as peer_group, min(typical) as typical, split, any_value(changed) as changed,
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
    from halves
    group by series, split
),
noise as (
    select
        m.*,
        sqrt((pr.noise_weight * coalesce(z.sigma, p.sigma) ^ 2
            + trips_now * spread_now ^ 2 + trips_past * spread_past ^ 2)
            / (pr.noise_weight + trips_now + trips_past)) as sigma
    from middle as m
    join indicator_priors as p using (indicator, measure)
    left join int_noise as z using (indicator, measure, peer_group)
    cross join priors as pr
)

select
    * exclude (spread_now, spread_past, sxx),
    1.2533 * sigma / sqrt(trips_now) as error_now,
    case when trips_past > 0 then 1.2533 * sigma / sqrt(trips_past) end as error_past,
    case when sxx > 0 then sigma / sqrt(sxx) end as error_slope
from noise
