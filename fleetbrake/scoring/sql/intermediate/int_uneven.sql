-- Grain: one row an application and axle with steady slip on both sides. left_less: how much less the left wheel slips
-- than the right one, over the greater side's median slip; for medians this is the imbalance formula of the inspection
-- manual, (higher - lower) / higher.
with
axles as (
    select a.event, a.vehicle, a.axle, a.left_steady as left_slip, a.right_steady as right_slip
    from int_axles as a
    join stg_events as e using (event)
    where a.left_steady is not null and a.right_steady is not null
        and e.surface <> 'split' and not coalesce(e.modulation, false)
),
levels as (
    select vehicle, axle, greatest(median(left_slip), median(right_slip)) as greater_slip
    from axles
    group by all
)

select
    a.event, a.vehicle, a.axle,
    (a.right_slip - a.left_slip) / greatest(l.greater_slip, a.left_slip, a.right_slip) as left_less
from axles as a
join levels as l using (vehicle, axle)
cross join priors
where l.greater_slip >= priors.least_slip
