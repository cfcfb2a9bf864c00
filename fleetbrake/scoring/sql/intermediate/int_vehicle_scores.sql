-- Grain: one row a vehicle: P(any) = 1 - prod(1 - p) over all indicators, with a 90 % interval.
-- An indicator that could not be observed keeps its base rate and a wide interval: never scored as good. Only where
-- no anti-lock control is fitted its action on light braking does not apply. Errors of ln(1 - p) add in squares.
-- strength orders what the bounded probabilities cannot: the greatest ln(1 + odds) of each indicator before they are
-- bounded, times its weight, less what another finding explains (int_explained), summed.
with
observed as (
    select vehicle_id, indicator, probability as p, probability_low as low, probability_high as high, log_odds
    from int_probabilities
),
missing as (
    select v.vehicle_id, p.indicator, p.base_rate as p, 0.0 as low, pr.unobserved_factor * p.base_rate as high,
        logit(p.base_rate) as log_odds
    from stg_vehicles as v
    cross join (select distinct indicator, base_rate, weight from indicator_priors) as p
    cross join priors as pr
    where (v.abs_fitted or p.indicator <> 'modulation_on_light_braking')
        and not exists (select 1 from observed as o where o.vehicle_id = v.vehicle_id and o.indicator = p.indicator)
),
together as (
    select *, true as seen from observed
    union all
    select *, false from missing
),
strengths as (
    select
        t.vehicle_id, t.indicator,
        any_value(i.weight) * max(greatest(t.log_odds, 0) + ln(1 + exp(-abs(t.log_odds)))) as strength
    from together as t
    join (select distinct indicator, weight from indicator_priors) as i using (indicator)
    group by all
),
totals as (
    select s.vehicle_id, sum(s.strength * coalesce(e.left_over, 1) order by s.indicator) as strength
    from strengths as s
    left join int_explained as e using (vehicle_id, indicator)
    group by s.vehicle_id
),
sums as (
    select
        vehicle_id,
        sum(ln(1 - p) order by indicator, p) as log_sound,
        sqrt(sum((ln(1 - p) - ln(1 - high)) ^ 2 order by indicator, p)) as down,
        sqrt(sum((ln(1 - low) - ln(1 - p)) ^ 2 order by indicator, p)) as up,
        count(distinct indicator) filter (not seen) as indicators_missing
    from together
    group by all
)

select
    vehicle_id,
    round(1 - exp(log_sound), 9) as probability,
    round(100 * exp(log_sound), 3) as score,
    round(100 * exp(log_sound - down), 3) as score_low,
    round(100 * least(1, exp(log_sound + up)), 3) as score_high,
    indicators_missing,
    round(strength, 9) as strength
from sums
join totals using (vehicle_id)
