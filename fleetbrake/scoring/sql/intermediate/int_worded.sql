-- Grain: one row a vehicle with evidence: its leading indicator with the parts of a sentence that all indicators share.
-- since: the day it began, "or earlier" where the recordings begin with it. others: units that the recordings cannot
-- tell apart from this one, since either was seen with one other unit only.
with
first_days as (select vehicle_id, min(on_day) as first_on from stg_events group by vehicle_id),
coupled as (
    select vehicle_id, string_agg(other_id, ', ' order by other_id) as others
    from int_pairings
    where units_seen = 1 or other_seen_with = 1
    group by vehicle_id
)

select
    l.*,
    c.others,
    left(l.wheel, 1) || case right(l.wheel, 1) when 'L' then 'R' else 'L' end as opposite,
    coalesce(format(
        ' since {}{}', l.first_seen_on, case when l.first_seen_on <= d.first_on then ' or earlier' else '' end), '')
        as since,
    format('in {} event{}', l.events_used, case when l.events_used = 1 then '' else 's' end) || since as seen,
    case when l.wheel = '' then 'A brake' else 'Wheel ' || l.wheel end as who
from int_leading as l
left join first_days as d using (vehicle_id)
left join coupled as c using (vehicle_id)
