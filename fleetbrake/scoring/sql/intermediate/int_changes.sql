-- Grain: one row a series with a clear change; split is the number of trips before it.
-- The split maximises the standardised difference of the means before and after. The noise comes from steps between
-- neighbours (median, for a normal 0.6745 * sqrt(2) sigma), so that the change itself does not inflate it. Fewer trips
-- are asked for after the change than before it: a fault that began lately is the one to find.
with
levels as (select * from int_levels),
middles as (
    select
        series, min(peer_group) as peer_group, median(x) as centre, median(abs(step)) as step, count(*) as n,
        max(so_far) filter (seq = n) as total
    from levels
    group by series
),
noise as (
    select
        m.*,
        sqrt((pr.noise_weight * coalesce(g.sigma, p.sigma) ^ 2 + m.n * (coalesce(m.step, 0) / 0.6745) ^ 2 / 2)
            / (pr.noise_weight + m.n)) as sigma
    from middles as m
    join indicator_priors as p on p.number = series_measure(m.series)
    left join int_noise as g on g.number = p.number and g.peer_group = m.peer_group
    cross join priors as pr
),
running as (
    select
        l.series, l.seq, z.n, z.sigma, l.so_far - l.seq * z.centre as before, z.total - z.n * z.centre as total
    from levels as l
    join noise as z using (series)
),
splits as (
    select
        r.series, r.seq,
        round(abs((r.total - r.before) / (r.n - r.seq) - r.before / r.seq)
            * sqrt(r.seq * (r.n - r.seq) / r.n) / r.sigma, 9) as shift
    from running as r
    cross join priors as pr
    where r.seq >= pr.change_least and r.n - r.seq >= pr.persist_least
)

select series, max(shift) as shift, arg_max(seq, shift * 1e6 - seq)::bigint as split
from splits
cross join priors as pr
where shift >= pr.change_threshold
group by series
