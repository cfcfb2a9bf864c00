-- Grain: one row a series: probability that an inspection finds this, with a 90 % interval.
-- odds = base / (1 - base) * LR; the base rate of a wheel's indicator is shared among the vehicle's observed wheels.
with
findings as (
    select * from int_level_findings
    union all by name
    select * from int_share_findings
),
shared as (
    select
        f.*, p.weight, p.urgent, p.unit, pr.probability_ceiling as ceiling, pr.unobserved_factor as factor,
        pr.lr_floor, pr.lr_ceiling,
        p.base_rate / count(*) over (partition by f.vehicle_id, f.indicator) as base
    from findings as f
    join indicator_priors as p using (indicator)
    cross join priors as pr
)

select
    * exclude (now, then_expected, ln_lr, ln_lr_less, ln_lr_more, ceiling, factor, lr_floor, lr_ceiling),
    coalesce(posterior(base, ln_lr, lr_floor, lr_ceiling, ceiling), base) as probability,
    coalesce(posterior(base, ln_lr_less, lr_floor, lr_ceiling, ceiling), 0) as probability_low,
    coalesce(posterior(base, ln_lr_more, lr_floor, lr_ceiling, ceiling), least(ceiling, factor * base))
        as probability_high
from shared
