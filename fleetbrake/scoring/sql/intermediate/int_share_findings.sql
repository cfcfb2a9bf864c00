-- Grain: one row a share series: share of events, what was expected, deviation in standard errors, ln LR.
-- Standard error of the beta-binomial: n e (1 - e) (1 + (n - 1) / (concentration + 1)), so that vehicles may differ;
-- the concentration is at least 1 / e: sound vehicles' shares differ by no more than their own mean. k and n are less
-- by the design effect of trips. Of the possible beginnings the most telling counts and pays for having been picked.
with
counts as (
    select *, n / deff as n_eff, k / deff as k_eff from int_share_windows
),
errors as (
    select
        c.*, greatest(p.concentration, 1 / e) as concentration, p.defect_concentration, pr.seen_from,
        case when n >= p.least_events then (k_eff - n_eff * e)
            / sqrt(n_eff * e * (1 - e) * (1 + (n_eff - 1) / (greatest(p.concentration, 1 / e) + 1))) end as deviation,
        e + (1 - e) * p.defect_lift as defect,
        pr.interval_z * sqrt(n_eff * ((k_eff + 0.5) / (n_eff + 1)) * (1 - (k_eff + 0.5) / (n_eff + 1))) as margin,
        case when whole then 0 else pr.picked_ln end as picked
    from counts as c
    join indicator_priors as p using (indicator, measure)
    cross join priors as pr
    where c.whole or n >= p.least_events
),
weighed as (
    select
        *,
        ln_share_ratio(k_eff, n_eff, e, concentration, defect, defect_concentration) - picked as ln_lr,
        ln_share_ratio(greatest(0, k_eff - margin), n_eff, e, concentration, defect, defect_concentration) - picked
            as ln_lr_less,
        ln_share_ratio(least(n_eff, k_eff + margin), n_eff, e, concentration, defect, defect_concentration) - picked
            as ln_lr_more
    from errors
    qualify row_number() over (
        partition by indicator, measure, vehicle_id, wheel
        order by case when deviation is not null then round(ln_lr, 9) end desc nulls last, n desc, whole desc
    ) = 1
)

select
    indicator, measure, vehicle_id, wheel, 0 as split,
    k / n as now, e as then_expected, k / n as value, e as expected,
    case when indicator = 'modulation_on_light_braking' then 'the depot''s other vehicles' else 'what is typical' end
        as basis,
    deviation,
    n::bigint as events_used,
    trips as trips_used,
    case when deviation >= seen_from then first_hit end as first_seen_on,
    k as hits,
    hit_trips,
    outside_emergency,
    null::double as freedom,
    n_eff, k_eff, concentration,
    seen_from * sqrt(e * (1 - e) / n_eff * (1 + (n_eff - 1) / (concentration + 1))) as detection_limit,
    case when deviation is not null then ln_lr end as ln_lr,
    case when deviation is not null then ln_lr_less end as ln_lr_less,
    case when deviation is not null then ln_lr_more end as ln_lr_more
from weighed
