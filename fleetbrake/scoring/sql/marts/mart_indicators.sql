-- Grain: one row a vehicle, indicator and wheel (NULL for the whole vehicle), as published.
with
probabilities as (select * from int_probabilities),
evidence_lists as (select * from int_evidence)

select
    p.vehicle_id,
    run.as_of,
    p.indicator,
    nullif(p.wheel, '') as wheel,
    round(p.value, 9) as value,
    round(p.expected, 9) as expected,
    round(p.deviation, 6) as deviation,
    p.events_used,
    p.first_seen_on,
    p.unit,
    p.measure,
    p.basis,
    p.trips_used,
    p.persisted as trips_seen,
    p.ranks,
    round(p.q_value, 9) as q_value,
    round(p.detection_limit, 9) as detection_limit,
    round(p.trend_per_30d, 9) as trend_per_30d,
    round(p.trend_se_per_30d, 9) as trend_se_per_30d,
    round(p.probability, 9) as probability,
    e.evidence
from probabilities as p
join evidence_lists as e using (indicator, vehicle_id, wheel)
cross join run
order by p.vehicle_id, p.indicator, p.wheel
