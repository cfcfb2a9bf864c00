-- Grain: one row a series: probability that an inspection finds this, with a 90 % interval, and its log odds.
-- odds = base / (1 - base) * LR; the base rate of a wheel's indicator is shared among the vehicle's observed wheels.
-- The interval joins, in squares, the sampling error of the evidence and the doubt about the priors themselves.
with
findings as (
    select * from int_level_findings
    union all by name
    select * from int_share_findings
),
shared as (
    select
        f.*, p.weight, p.urgent, p.unit, pr.unobserved_factor as factor, pr.lr_floor,
        logit(pr.bounded_from) as knee, logit(pr.probability_ceiling) as top,
        pr.interval_z * pr.prior_doubt as doubt,
        p.base_rate / count(*) over (partition by f.vehicle_id, f.indicator) as base
    from findings as f
    join indicator_priors as p using (indicator)
    cross join priors as pr
),
odds as (
    select
        *, log_odds(base, ln_lr, lr_floor) as log_odds,
        bounded(log_odds, knee, top) as shown,
        bounded(log_odds(base, ln_lr_less, lr_floor), knee, top) as less,
        bounded(log_odds(base, ln_lr_more, lr_floor), knee, top) as more
    from shared
)

select
    * exclude (
        now, then_expected, ln_lr, ln_lr_less, ln_lr_more, factor, lr_floor, knee, top, doubt, log_odds, shown, less, more
    ),
    coalesce(log_odds, logit(base)) as log_odds,
    coalesce(from_logit(shown), base) as probability,
    coalesce(from_logit(shown - sqrt(greatest(0, shown - less) ^ 2 + doubt ^ 2)), 0) as probability_low,
    coalesce(from_logit(shown + sqrt(greatest(0, more - shown) ^ 2 + doubt ^ 2)), factor * base) as probability_high
from odds
