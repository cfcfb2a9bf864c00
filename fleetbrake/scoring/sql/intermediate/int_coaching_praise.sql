-- Grain: one row a driver and figure clearly better than usual. better: the own figure over the usual one. Few hard
-- stops are praised only where they would be few with those that the vehicle asked for itself.
with
rates as (
    select r.* from int_driver_rates as r cross join priors as pr
    where scored and fleet_rate > 0
        and ratio + automatic_stops / nullif(expected_stops, 0) <= pr.better_share
),
manner as (select * from int_driver_manner),
usual as (select median(late_share) as late_share from manner),
figures as (
    select
        driver_id, 'hard_stops' as subject, adjusted as value, fleet_rate as usual, ratio as better,
        format('On the fleet''s average vehicle and road {:.1f} hard stops a 1000 km; an average driver has {:.1f}.',
            adjusted, fleet_rate) as sentence
    from rates
    union all
    select
        driver_id, 'build_up', jerk_mps3, jerk_mps3 / jerk_of_usual, jerk_of_usual,
        format('Brakes smoothly: the deceleration builds up by {:.1f} m/s³ at most, usual is {:.1f}.',
            jerk_mps3, jerk_mps3 / jerk_of_usual)
    from manner
    where jerk_of_usual > 0
    union all
    select
        m.driver_id, 'late_braking', m.late_share, u.late_share, m.late_share / u.late_share,
        format(
            'Eases off before standstill: {:.0f} % of a stop''s speed comes off in its last second, usual is {:.0f} %.',
            100 * m.late_share, 100 * u.late_share)
    from manner as m
    cross join usual as u
    where u.late_share > 0
)

select f.*, row_number() over (partition by f.driver_id order by round(f.better, 9), f.subject) as place
from figures as f
cross join priors as pr
where f.better <= pr.better_share
