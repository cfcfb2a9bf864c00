-- Grain: one row a vehicle, indicator and wheel: probability that an inspection finds this, with a 90 % interval, and
-- its log odds. Of several measures of one indicator the most telling counts and pays ln of their number.
-- odds = base / (1 - base) * LR; the base rate of a wheel's indicator is shared among the vehicle's observed wheels.
-- The interval joins, in squares, the sampling error of the evidence and the doubt about the priors themselves.
-- ranks: seen on enough trips, and not one of the fleet's chance finds. What an inspection did not bear out
-- (int_answered) counts as that inspection does: a defect that is there is missed now and then.
with
findings as (
    select
        -- what a vehicle does together with others speaks against it, never for it
        f.* replace (case when f.measure = 'combination' then greatest(f.ln_lr, 0) else f.ln_lr end as ln_lr),
        d.p_value, d.q_value, a.answered_on is not null as answered,
        count(f.ln_lr) over (partition by f.indicator, f.vehicle_id, f.wheel) as measures,
        row_number() over (
            partition by f.indicator, f.vehicle_id, f.wheel
            order by a.answered_on is not null, f.measure = 'combination' and coalesce(f.ln_lr <= 0, true), round(f.ln_lr, 9) desc nulls last, f.measure
        ) as place
    from int_findings as f
    left join discoveries as d using (indicator, measure, vehicle_id, wheel)
    left join int_answered as a using (indicator, measure, vehicle_id, wheel)
),
shared as (
    select
        f.* replace (
            -- what speaks against it after a clean inspection is what inspections miss
            least(f.ln_lr - ln(greatest(f.measures, 1)), case when f.answered then ln(pr.inspection_misses) end) as ln_lr,
            least(f.ln_lr_less - ln(greatest(f.measures, 1)), case when f.answered then ln(pr.inspection_misses) end)
                as ln_lr_less,
            least(f.ln_lr_more - ln(greatest(f.measures, 1)), case when f.answered then 0 end) as ln_lr_more
        ),
        p.weight, p.urgent, p.unit, p.worse_sign, pr.unobserved_factor as factor, pr.lr_floor,
        logit(pr.bounded_from) as knee, logit(pr.probability_ceiling) as top,
        pr.interval_z * pr.prior_doubt as doubt,
        not f.answered and f.persisted >= pr.persist_least and coalesce(f.q_value <= pr.false_discovery_share, false) as ranks,
        p.base_rate / count(*) over (partition by f.vehicle_id, f.indicator) as base
    from findings as f
    join indicator_priors as p using (indicator, measure)
    cross join priors as pr
    where f.place = 1
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
        then_expected, ln_lr_less, ln_lr_more, factor, lr_floor, knee, top, doubt, log_odds, shown, less, more,
        place, measures, answered, freedom, k_eff, n_eff, concentration
    ),
    coalesce(log_odds, logit(base)) as log_odds,
    coalesce(from_logit(shown), base) as probability,
    coalesce(from_logit(shown - sqrt(greatest(0, shown - less) ^ 2 + doubt ^ 2)), 0) as probability_low,
    coalesce(from_logit(shown + sqrt(greatest(0, more - shown) ^ 2 + doubt ^ 2)), factor * base) as probability_high
from odds
