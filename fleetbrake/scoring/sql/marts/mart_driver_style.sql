-- Grain: one row a driver of the register, of a trip or of an event; rank 1 = coach first, without exposure last.
-- Units: hard stops per 1000 km. ratio is the posterior of observed over expected (table driver_posterior).
with
known as (
    select driver_id from int_driver_expected
    union
    select driver_id from int_left_out_trips
    union
    select driver_id from drivers where driver_id is not null
),
numbers as (select * from driver_posterior),
homes as (select driver_id, depot from drivers),
left_out as (select * from int_left_out_trips),
joined as (
    select
        k.driver_id, h.depot, n.* exclude (driver_id), coalesce(t.trips_left_out, 0) as trips_left_out,
        1000 * n.stops / n.km as raw,
        n.ratio * n.fleet_rate_per_1000km as adjusted,
        1000 * n.expected / n.km as cell_rate
    from known as k
    left join numbers as n using (driver_id)
    left join homes as h using (driver_id)
    left join left_out as t using (driver_id)
)

select
    j.driver_id,
    run.as_of,
    row_number() over (order by j.ratio is null, round(j.ratio, 9) desc, j.stops desc, j.driver_id) as rank,
    round(100 * pow(2, -j.ratio / pr.style_half), 3) as style_score,
    round(100 * pow(2, -j.ratio_high / pr.style_half), 3) as score_low,
    round(100 * pow(2, -j.ratio_low / pr.style_half), 3) as score_high,
    j.km as distance_km,
    coalesce(j.stops, 0) as hard_stops,
    round(j.raw, 6) as hard_stops_per_1000km,
    round(j.adjusted, 6) as adjusted_hard_stops_per_1000km,
    round(j.ratio_low * j.fleet_rate_per_1000km, 6) as adjusted_low,
    round(j.ratio_high * j.fleet_rate_per_1000km, 6) as adjusted_high,
    round(j.expected, 6) as expected_hard_stops,
    coalesce(j.incidents, 0) as incidents,
    coalesce(j.applications, 0) as brake_applications,
    j.depot,
    case
        when j.km is null then 'No usable distance in the trips: no rate and no score.'
        when j.fleet_rate_per_1000km = 0 then 'No hard stop in the fleet: no driver differs from another.'
        else format(
            'Counted {:.1f} a 1000 km (95 % {:.1f} to {:.1f}); an average driver would have had {:.1f} in the same '
            || 'vehicles and conditions; {:.0f} % of the adjusted rate comes from the driver''s own stops, the rest '
            || 'from the fleet.', j.raw, 1000 * j.count_low / j.km, 1000 * j.count_high / j.km, j.cell_rate,
            100 * j.own_weight)
    end || case when j.trips_left_out > 0 then format(
        ' Left out: {} trip{} with a distance that is not above 0 or is above {:.0f} km.',
        j.trips_left_out, case when j.trips_left_out = 1 then '' else 's' end, pr.trip_most_km) else '' end as note
from joined as j
cross join run
cross join priors as pr
order by rank
