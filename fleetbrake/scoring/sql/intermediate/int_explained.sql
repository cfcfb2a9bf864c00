-- Grain: one row a vehicle and indicator that another, ranking finding of the vehicle may explain (table explains).
-- left_over: probability that none of those is there. Pressure that the anti-lock control lets go on a false signal is
-- no weak, fading or slow brake; one that weakens as it gets hot shows less on average too.
with
causes as (
    select vehicle_id, indicator, 1 - exp(sum(ln(1 - probability) order by wheel)) as probability
    from int_probabilities
    where ranks
    group by vehicle_id, indicator
)

select c.vehicle_id, e.effect as indicator, exp(sum(ln(1 - c.probability) order by c.indicator)) as left_over
from causes as c
join explains as e on e.cause = c.indicator
group by c.vehicle_id, e.effect
