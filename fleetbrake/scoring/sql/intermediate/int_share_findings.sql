-- Grain: one row a share series: share of events, what was expected, deviation in standard errors, ln LR.
-- Standard error of the beta-binomial: n e (1 - e) (1 + (n - 1) / (concentration + 1)), so that vehicles may differ;
-- the concentration is at least 1 / e: sound vehicles' shares differ by no more than their own mean.
-- Of the three windows the most telling counts; a part of the events pays ln 3 for having been picked.
with
counts as (select * from int_share_windows),
errors as (
    select
        c.*, greatest(p.concentration, 1 / e) as concentration, p.defect_concentration, pr.seen_from,
        case when n >= p.least_events then
            (k - n * e) / sqrt(n * e * (1 - e) * (1 + (n - 1) / (greatest(p.concentration, 1 / e) + 1))) end as deviation,
        e + (1 - e) * p.defect_lift as defect,
        pr.interval_z * sqrt(n * ((k + 0.5) / (n + 1)) * (1 - (k + 0.5) / (n + 1))) as margin,
        case when parts > 1 then ln(3) else 0 end as picked
    from counts as c
    join indicator_priors as p using (indicator)
    cross join priors as pr
    where c.parts = 1 or n >= p.least_events
),
weighed as (
    select
        *,
        ln_share_ratio(k, n, e, concentration, defect, defect_concentration) - picked as ln_lr,
        ln_share_ratio(greatest(0, k - margin), n, e, concentration, defect, defect_concentration) - picked as ln_lr_less,
        ln_share_ratio(least(n, k + margin), n, e, concentration, defect, defect_concentration) - picked as ln_lr_more
    from errors
    qualify row_number() over (
        -- a part counts only where it speaks for a defect
        partition by indicator, vehicle_id, wheel order by case when parts = 1 or k > 0 then ln_lr end desc nulls last, parts
    ) = 1
)

select
    indicator, vehicle_id, wheel, 0 as split,
    k / n as now, e as then_expected, k / n as value, e as expected,
    case when indicator = 'modulation_on_light_braking' then 'the depot''s other vehicles' else 'what is typical' end
        as basis,
    deviation,
    n as events_used,
    case when deviation >= seen_from then first_hit end as first_seen_on,
    k as hits,
    outside_emergency,
    case when deviation is not null then ln_lr end as ln_lr,
    case when deviation is not null then ln_lr_less end as ln_lr_less,
    case when deviation is not null then ln_lr_more end as ln_lr_more
from weighed
