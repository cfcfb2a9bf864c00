-- Grain: one row a series: its value now, its own past, their standard errors (in the unit of x).
-- Now is what came after a clear change, else everything. A series without peers and without a typical value is
-- compared with its own first half. s.e. of a median = sqrt(pi / 2) * sigma / sqrt(n), sigma = 1.4826 * MAD,
-- drawn towards the prior noise where events are few.
with
levels as (select * from int_levels),
changes as (select * from int_changes),
sizes as (
    select l.indicator, l.peer_group, count(distinct l.vehicle_id) as vehicles
    from levels as l join indicator_priors as p using (indicator)
    where l.n >= p.least_events
    group by all
),
halves as (
    select
        l.*, c.split is not null as changed,
        coalesce(c.split, case when l.typical is null and coalesce(s.vehicles, 0) <= pr.least_peers then l.n // 2 end, 0)
            as split
    from levels as l
    left join changes as c using (vehicle_id, indicator, wheel)
    left join sizes as s on s.indicator = l.indicator and s.peer_group = l.peer_group
    cross join priors as pr
),
middle as (
    select
        vehicle_id, indicator, wheel, peer_group, changed, split, typical,
        count(*) filter (seq > split) as events_now,
        count(*) filter (seq <= split) as events_past,
        median(x) filter (seq > split) as now,
        median(x) filter (seq <= split) as past,
        1.4826 * coalesce(mad(x) filter (seq > split), 0) as spread,
        min(on_day) filter (seq > split) as first_day
    from halves
    group by all
),
noise as (
    select
        m.*,
        sqrt((pr.noise_weight * p.sigma ^ 2 + events_now * spread ^ 2) / (pr.noise_weight + events_now)) as sigma
    from middle as m
    join indicator_priors as p using (indicator)
    cross join priors as pr
)

select
    * exclude (spread),
    1.2533 * sigma / sqrt(events_now) as error_now,
    case when events_past > 0 then 1.2533 * sigma / sqrt(events_past) end as error_past
from noise
