-- Grain: one row a measure and peer group: how much the trips of one vehicle scatter (unit of x), drawn
-- towards the prior noise where few vehicles show it. From steps between neighbours (median, for a normal 0.6745 *
-- sqrt(2) sigma), so that a change inflates nothing; the middle over the group's vehicles.
with
by_series as (
    select
        l.series, min(l.peer_group) as peer_group, median(abs(l.step)) / 0.6745 / sqrt(2) as noise
    from int_levels as l
    join indicator_priors as p on p.number = series_measure(l.series)
    where l.n >= p.least_trips
    group by l.series
)

select
    series_measure(s.series) as number, s.peer_group,
    sqrt((any_value(pr.peer_weight) * any_value(p.sigma) ^ 2 + count(*) * median(s.noise) ^ 2)
        / (any_value(pr.peer_weight) + count(*))) as sigma
from by_series as s
join indicator_priors as p on p.number = series_measure(s.series)
cross join priors as pr
where s.noise is not null
group by series_measure(s.series), s.peer_group
