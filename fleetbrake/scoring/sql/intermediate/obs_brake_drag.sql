-- Grain: one row an application and wheel that shows slip after release.
-- x: that slip less the mean of the vehicle's other wheels, or less zero where theirs is negative.
with
wheels_in as (
    select w.* from stg_wheels as w, priors as pr
    where w.released_slip is not null and coalesce(w.dropout_s, 0) <= pr.dropout_above_s
),
counted as (
    select
        *,
        sum(released_slip) over (partition by event_id) as sum_slip,
        count(*) over (partition by event_id) as wheels
    from wheels_in
)

select
    'brake_drag' as indicator,
    vehicle_id,
    wheel,
    category as peer_group,
    event_id,
    started_at,
    on_day,
    released_slip - greatest(0, (sum_slip - released_slip) / (wheels - 1)) as x,
    0.0 as typical
from counted
where wheels > 1
