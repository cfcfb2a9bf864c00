-- Grain: one row a vehicle for which the learned model, where it is in use, asks for an inspection: the priority it asks
-- for, the indicator that weighed most in it (NULL where it was none alone) and a sentence. For vehicles of which no
-- indicator alone says enough; what an indicator flagged has its own priority and words.
with
scores as (select * from int_final_scores where score_model = 'learned'),
learned as (select * from learned_scores),
codes as (select distinct indicator from indicator_priors)

select
    s.vehicle_id,
    case when s.probability >= pr.this_week_from then 'this_week' else 'next_service' end as asks,
    c.indicator,
    format(
        'No indicator stands out alone, but with what inspections found in the past the probability of a defect is '
        '{:.0f} %. What raises it most: {}.', 100 * s.probability, case l.weighed_most
            when 'prior_log_odds' then 'all indicators together'
            when 'indicators_observed' then 'how many indicators were observed'
            else replace(l.weighed_most, '_', ' ') end) as told
from scores as s
join learned as l using (vehicle_id)
left join codes as c on c.indicator = l.weighed_most
cross join priors as pr
where s.probability >= pr.next_service_from
