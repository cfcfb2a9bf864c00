-- Grain: one row a driver of events: how the driver brakes, from applications asked for, on paved roads with grip, in
-- vehicles without a flagged finding at the time. NULL under the least number of applications that show it.
-- jerk_of_usual: median over the applications of the greatest jerk over the usual one of the category (1 = usual).
-- energy: work of the friction brakes on the driver's trips; NULL unless known for most applications, and where the trips
-- tell that most applications were not recorded (triggered recordings).
-- Units: m/s3, kJ, 1.
with
events_in as (
    select
        d.driver_id, d.event, d.on_trip, s.category, s.modulation, s.surface,
        finite(s.peak_jerk_mps3) as jerk, finite(s.last_second_share) as last_second,
        finite(s.friction_brake_kj) as energy_kj, s.by_driver and s.surface not in ('snow_or_ice', 'loose', 'split')
            and not coalesce(s.on_day >= f.flagged_since, false) as own
    from int_driver_events as d
    join stg_events as s using (event)
    left join int_flagged_since as f on f.vehicle_id = s.vehicle_id
),
usual as (select category, median(jerk) as jerk from events_in where own group by all),
shown as (select e.*, u.jerk as usual_jerk from events_in as e left join usual as u using (category)),
figures as (
    select
        driver_id,
        median(jerk) filter (own) as jerk_mps3,
        median(jerk / nullif(usual_jerk, 0)) filter (own) as jerk_of_usual,
        count(jerk) filter (own) as jerk_events,
        median(last_second) filter (own) as late,
        count(last_second) filter (own) as late_events,
        sum(energy_kj order by event) filter (on_trip is not null) as energy_kj,
        count(energy_kj) filter (on_trip is not null) as energy_events,
        count_if(on_trip is not null) as trip_events,
        count_if(own and modulation and surface in ('dry_paved', 'wet_paved')) as modulations,
        count(modulation) filter (own) as modulation_events, count_if(own) as own_events
    from shown
    group by driver_id
)

select
    driver_id,
    case when jerk_events >= pr.manner_least then jerk_mps3 end as jerk_mps3,
    case when jerk_events >= pr.manner_least then jerk_of_usual end as jerk_of_usual,
    case when late_events >= pr.manner_least then late end as late_share,
    -- a few without a figure are taken as the mean of the others
    case when energy_events >= pr.manner_least and energy_events >= pr.known_share * trip_events
        and coalesce(trip_events >= pr.known_share * c.trip_applications, true)
        then energy_kj * trip_events / energy_events end as energy_kj,
    case when modulation_events >= pr.manner_least and modulation_events >= pr.known_share * own_events
        then modulations end as modulations
from figures
left join (select driver_id, trip_applications from int_driver_counts) as c using (driver_id)
cross join priors as pr
