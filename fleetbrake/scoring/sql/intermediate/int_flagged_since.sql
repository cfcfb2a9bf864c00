-- Grain: one row a vehicle with a flagged finding, and the day (UTC) on which that finding began.
with
verdicts as (select * from int_verdicts where flagged),
findings as (select * from int_probabilities)

select v.vehicle_id, coalesce(min(f.first_seen_on), run.since::date) as flagged_since
from verdicts as v
left join findings as f on f.vehicle_id = v.vehicle_id and f.indicator = v.chosen and f.wheel = v.suspect
cross join run
group by v.vehicle_id, run.since
