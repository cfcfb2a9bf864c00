-- Grain: one row a series with a clear change; split is the number of trips before it.
-- The split maximises the standardised difference of the means before and after. The noise comes from steps between
-- neighbours (median, for a normal 0.6745 * sqrt(2) sigma), so that the change itself does not inflate it. Fewer trips
-- are asked for after the change than before it: a fault that began lately is the one to find.
with
levels as (select * from int_levels),
noise as (
    select
        l.series,
        median(l.x) as centre,
        sqrt((any_value(pr.noise_weight) * any_value(coalesce(g.sigma, p.sigma)) ^ 2
            + count(*) * (coalesce(median(abs(l.step)), 0) / 0.6745) ^ 2 / 2)
            / (any_value(pr.noise_weight) + count(*))) as sigma
    from levels as l
    join indicator_priors as p using (indicator, measure)
    left join int_noise as g using (indicator, measure, peer_group)
    cross join priors as pr
    group by l.series
),
running as (
    select l.series, l.seq, l.n, z.sigma, sum(l.x - z.centre) over (partition by l.series order by l.seq) as before
    from levels as l
    join noise as z using (series)
),
totals as (select series, before as total from running where seq = n),
splits as (
    select
        r.series, r.seq,
        round(abs((t.total - r.before) / (r.n - r.seq) - r.before / r.seq)
            * sqrt(r.seq * (r.n - r.seq) / r.n) / r.sigma, 9) as shift
    from running as r
    join totals as t using (series)
    cross join priors as pr
    where r.seq >= pr.change_least and r.n - r.seq >= pr.persist_least
)

select series, max(shift) as shift, arg_max(seq, shift * 1e6 - seq)::bigint as split
from splits
cross join priors as pr
where shift >= pr.change_threshold
group by series
