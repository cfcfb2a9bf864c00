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
    round(p.probability, 9) as probability,
    e.evidence
from probabilities as p
join evidence_lists as e using (indicator, vehicle_id, wheel)
cross join run
order by p.vehicle_id, p.indicator, p.wheel
