-- Grain: one row a series with a clear change; split is the number of events before it.
-- The split maximises the standardised difference of the means before and after. The noise comes from steps between
-- neighbours (median, for a normal 0.6745 * sqrt(2) sigma), so that the change itself does not inflate it.
with
levels as (select * from int_levels),
noise as (
    select
        l.vehicle_id, l.indicator, l.wheel,
        median(l.x) as centre,
        sqrt((any_value(pr.noise_weight) * any_value(p.sigma) ^ 2
            + count(*) * (coalesce(median(abs(l.step)), 0) / 0.6745) ^ 2 / 2)
            / (any_value(pr.noise_weight) + count(*))) as sigma
    from levels as l
    join indicator_priors as p using (indicator)
    cross join priors as pr
    group by all
),
running as (
    select
        l.*, z.sigma,
        sum(l.x - z.centre) over (partition by l.vehicle_id, l.indicator, l.wheel order by l.seq) as before,
        sum(l.x - z.centre) over (
            partition by l.vehicle_id, l.indicator, l.wheel order by l.seq
            rows between unbounded preceding and unbounded following
        ) as total
    from levels as l
    join noise as z using (vehicle_id, indicator, wheel)
),
splits as (
    select
        r.*, abs((total - before) / (n - seq) - before / seq) * sqrt(seq * (n - seq) / n) / sigma as shift
    from running as r, priors as pr
    where r.seq >= pr.change_least and r.n - r.seq >= pr.change_least
)

select s.vehicle_id, s.indicator, s.wheel, s.seq as split, s.shift
from splits as s
cross join priors as pr
where s.shift >= pr.change_threshold
qualify row_number() over (partition by s.vehicle_id, s.indicator, s.wheel order by s.shift desc, s.seq) = 1
