-- Grain: one row a vehicle whose brakes were worked on lately and of which that work has not been seen at work yet.
-- waiting: the indicators that the work started anew and that nothing has shown enough of since. What was seen before
-- says nothing of the brakes as they are, and what was not seen since is no good sign.
with
newest as (select vehicle_id, max(on_day) as last_on from stg_events group by vehicle_id),
lately as (
    select distinct r.vehicle_id, r.indicator
    from stg_restarts as r
    left join newest as n using (vehicle_id)
    cross join run
    cross join priors as pr
    where r.reason in ('repair', 'running_in') and (
        r.restart_on > run.as_of - pr.recent_days::integer
            and r.indicator in ('low_brake_effectiveness', 'side_imbalance', 'brake_drag')
        -- rare things need not show within weeks, but the vehicle has to have braked at all since
        or r.restart_on >= n.last_on and r.indicator = 'lockup_without_modulation'
    )
),
seen as (select distinct vehicle_id, indicator from int_probabilities where deviation is not null)

select l.vehicle_id, string_agg(replace(l.indicator, '_', ' '), ', ' order by l.indicator) as waiting
from lately as l
anti join seen as s on s.vehicle_id = l.vehicle_id and s.indicator = l.indicator
group by l.vehicle_id
