-- Every indicator row is unique, has a probability, and a flagged one names events.
select vehicle_id, indicator, wheel, count(*) as times
from mart_indicators
group by all
having count(*) > 1 or min(probability) is null or bool_or(deviation > 5 and evidence = '[]')
