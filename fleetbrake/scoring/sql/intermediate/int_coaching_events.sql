-- Grain: one row an application that a driver asked for, on a road with grip, in a vehicle without a flagged finding at
-- the time: what can be talked about. hard, late, sudden: what stands out, by the upper quarter of the
-- category (hard: by the threshold of a hard stop); gentle: in the lower half of all that is known, and a stop.
-- Units: m/s2, m/s3, 1, m/s.
with
events_in as (
    select
        d.driver_id, s.event_id, d.on_day, s.category, s.initial_speed_mps, s.hard_stop,
        finite(s.peak_decel_mps2) as decel, finite(s.peak_jerk_mps3) as jerk, finite(s.last_second_share) as late_share
    from int_driver_events as d
    join stg_events as s using (event)
    left join int_flagged_since as f on f.vehicle_id = s.vehicle_id
    where s.by_driver and s.surface not in ('snow_or_ice', 'loose', 'split')
        and not coalesce(s.on_day >= f.flagged_since, false) and finite(s.peak_decel_mps2) is not null
),
usual as (
    select
        category,
        median(decel) as usual_decel, median(jerk) as usual_jerk, median(late_share) as usual_late,
        quantile_cont(jerk, 0.75) as much_jerk, quantile_cont(late_share, 0.75) as much_late,
        -- half the width of the middle half: what events of the category usually differ by
        nullif(quantile_cont(decel, 0.75) - quantile_cont(decel, 0.25), 0) / 2 as decel_width,
        nullif(quantile_cont(jerk, 0.75) - quantile_cont(jerk, 0.25), 0) / 2 as jerk_width,
        nullif(quantile_cont(late_share, 0.75) - quantile_cont(late_share, 0.25), 0) / 2 as late_width
    from events_in
    group by all
)

select
    e.*, u.* exclude (category),
    coalesce(e.hard_stop, false) as hard,
    coalesce(e.late_share > u.much_late, false) as late,
    coalesce(e.jerk > u.much_jerk, false) as sudden,
    e.late_share is not null and e.late_share <= u.usual_late and e.decel <= u.usual_decel
        and coalesce(e.jerk <= u.usual_jerk, true) as gentle
from events_in as e
join usual as u using (category)
