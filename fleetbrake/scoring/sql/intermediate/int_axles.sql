-- Grain: one row a brake application and axle (number from the front): slip of its two wheels, 0 to 1, each NULL where it
-- was not observed or its signal speaks of the sensor: it dropped out, a damaged tone ring shows slip that is none, or
-- steady slip lies below zero by more than its noise, or free slip is more than a brake can make.
with
wheels_in as (
    select
        w.event, w.vehicle, (w.wheel_no // 2)::utinyint as axle, w.wheel_no % 2 = 1 as on_right,
        case when w.steady_slip > -pr.negative_slip then w.steady_slip end as steady_slip,
        w.released_slip,
        case when abs(w.free_slip) <= pr.free_slip_most then w.free_slip end as free_slip
    from stg_wheels as w, priors as pr
    where coalesce(w.dropout_s, 0) <= pr.dropout_above_s and not coalesce(w.once_a_turn, false)
)

select
    event, vehicle, axle,
    max(steady_slip) filter (not on_right) as left_steady,
    max(steady_slip) filter (on_right) as right_steady,
    max(released_slip) filter (not on_right) as left_released,
    max(released_slip) filter (on_right) as right_released,
    max(free_slip) filter (not on_right) as left_free,
    max(free_slip) filter (on_right) as right_free
from wheels_in
group by event, vehicle, axle
