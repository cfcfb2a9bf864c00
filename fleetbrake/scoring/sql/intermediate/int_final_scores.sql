-- Grain: one row a vehicle: the score that is published, by the learned model where it is in use, else by the priors.
-- The learned model's interval joins, in squares of log odds, that of the evidence (few events: wide) and the doubt
-- about its coefficients. strength is then ln(1 + odds) of the learned probability before it is bounded; equal ones
-- keep the order of the priors. learned_scores is empty unless the model beat the priors on later inspections.
with
scores as (select * from int_vehicle_scores),
learned as (select * from learned_scores),
held as (
    select
        s.vehicle_id, l.probability, l.log_odds, l.model_width,
        logit(l.probability) as shown,
        logit(greatest(1e-4, least(1 - 1e-4, 1 - s.score / 100))) as by_prior,
        logit(greatest(1e-4, least(1 - 1e-4, 1 - s.score_high / 100))) as prior_less,
        logit(greatest(1e-4, least(1 - 1e-4, 1 - s.score_low / 100))) as prior_more
    from scores as s
    join learned as l using (vehicle_id)
),
ends as (
    select
        *,
        from_logit(shown - sqrt(greatest(0, by_prior - prior_less) ^ 2 + model_width ^ 2)) as less,
        from_logit(shown + sqrt(greatest(0, prior_more - by_prior) ^ 2 + model_width ^ 2)) as more
    from held
)

select
    s.* replace (
        coalesce(round(e.probability, 9), s.probability) as probability,
        coalesce(round(100 * (1 - e.probability), 3), s.score) as score,
        coalesce(round(100 * (1 - e.more), 3), s.score_low) as score_low,
        coalesce(round(100 * (1 - e.less), 3), s.score_high) as score_high,
        coalesce(
            round(greatest(e.log_odds, 0) + ln(1 + exp(-abs(e.log_odds))) + 1e-7 * s.strength, 9), s.strength
        ) as strength
    ),
    case when e.vehicle_id is null then 'prior' else 'learned' end as score_model
from scores as s
left join ends as e using (vehicle_id)
