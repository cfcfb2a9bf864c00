-- Grain: one row a driver of the register, of a trip or of an event; rank 1 = coach first, without a score last.
-- The score is that of the adjusted rate alone: an average driver has 50. Units: km, hard stops a 1000 km, m/s3, kJ.
with
rates as (select * from int_driver_rates),
notes as (select * from int_driver_notes),
manner as (select * from int_driver_manner)

select
    r.driver_id,
    run.as_of,
    row_number() over (order by not r.scored, case when r.scored then round(r.ratio, 9) end desc, r.driver_id) as rank,
    case when r.scored then round(100 * pow(2, -r.ratio / pr.style_half), 3) end as style_score,
    case when r.scored then round(100 * pow(2, -r.ratio_high / pr.style_half), 3) end as score_low,
    case when r.scored then round(100 * pow(2, -r.ratio_low / pr.style_half), 3) end as score_high,
    r.km as distance_km,
    round(r.observed_km, 3) as observed_km,
    r.stops as hard_stops,
    round(r.raw, 6) as hard_stops_per_1000km,
    round(r.adjusted, 6) as adjusted_hard_stops_per_1000km,
    round(r.adjusted_low, 6) as adjusted_low,
    round(r.adjusted_high, 6) as adjusted_high,
    round(r.fleet_rate, 6) as fleet_hard_stops_per_1000km,
    round(r.expected_stops, 6) as expected_hard_stops,
    r.incidents,
    r.applications as brake_applications,
    r.automatic_stops as automatic_hard_stops,
    case when r.with_applications_km >= pr.known_share * r.km and r.trip_applications > 0
        then round(1000 * (r.stops - r.stops_outside) / r.trip_applications, 6) end as hard_stops_per_1000_applications,
    round(m.jerk_mps3, 6) as build_up_jerk_mps3,
    round(m.jerk_of_usual, 6) as build_up_jerk_of_usual,
    round(m.late_share, 6) as late_braking_share,
    round(m.energy_kj / nullif(r.observed_km, 0), 6) as brake_energy_kj_per_km,
    round(1000 * m.modulations / nullif(r.observed_km, 0), 6) as modulation_on_grip_per_1000km,
    r.depot,
    n.note
from rates as r
join notes as n using (driver_id)
left join manner as m using (driver_id)
cross join run
cross join priors as pr
order by rank
