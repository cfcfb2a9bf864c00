-- Grain: one row a vehicle flagged for a finding that ranks, and the day (UTC) on which that finding began. What has no
-- such day (a lone lockup, an open report) may have been a single event: it excuses no other.
with
verdicts as (select * from int_verdicts where flagged),
findings as (select * from int_probabilities where ranks and first_seen_on is not null)

select v.vehicle_id, min(f.first_seen_on) as flagged_since
from verdicts as v
join findings as f on f.vehicle_id = v.vehicle_id and f.indicator = v.chosen and f.wheel = v.suspect
group by v.vehicle_id
