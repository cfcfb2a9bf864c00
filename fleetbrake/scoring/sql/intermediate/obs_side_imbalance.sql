-- Grain: one row an application and wheel whose axle shows steady slip on both sides.
-- x: how much less this wheel slips than the other, over the greater side's median slip; for medians this is the
-- imbalance formula of the inspection manual, (higher - lower) / higher. Less slip at equal demand is less braking.
with
wheels_in as (
    select * from stg_wheels
    where steady_slip is not null and surface <> 'split' and not coalesce(modulation, false)
),
pairs as (
    select own.*, other.steady_slip as other_slip
    from wheels_in as own
    join wheels_in as other
        on other.event_id = own.event_id and other.axle = own.axle and other.side <> own.side
),
levels as (
    select vehicle_id, wheel, greatest(median(steady_slip), median(other_slip)) as greater_slip
    from pairs
    group by all
)

select
    'side_imbalance' as indicator,
    p.vehicle_id,
    p.wheel,
    concat_ws('/', p.category, p.wheel) as peer_group,
    p.event_id,
    p.started_at,
    p.on_day,
    (p.other_slip - p.steady_slip) / l.greater_slip as x,
    0.0 as typical
from pairs as p
join levels as l using (vehicle_id, wheel)
cross join priors
where l.greater_slip >= priors.least_slip
