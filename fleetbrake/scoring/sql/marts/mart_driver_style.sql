-- Grain: one row a driver of the register, of a trip or of an event; rank 1 = coach first, without a score last.
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
        1000 * n.expected / n.km as cell_rate,
        coalesce(n.enough, false) as scored,
        n.stops / nullif(n.expected, 0) * n.fleet_rate_per_1000km as standardised,
        list_value('lowers it', 'hardly changes it', 'raises it') as effects
    from known as k
    left join numbers as n using (driver_id)
    left join homes as h using (driver_id)
    left join left_out as t using (driver_id)
)

select
    j.driver_id,
    run.as_of,
    row_number() over (order by not j.scored, j.ratio is null, round(j.ratio, 9) desc, j.stops desc, j.driver_id) as rank,
    case when j.scored then round(100 * pow(2, -j.ratio / pr.style_half), 3) end as style_score,
    case when j.scored then round(100 * pow(2, -j.ratio_high / pr.style_half), 3) end as score_low,
    case when j.scored then round(100 * pow(2, -j.ratio_low / pr.style_half), 3) end as score_high,
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
            'Counted {:.1f} a 1000 km (95 % {:.1f} to {:.1f}), adjusted {:.1f}. In the same vehicles and conditions an '
            || 'average driver would have had {:.2f}, in the fleet as a whole {:.2f}: that {}. {:.0f} % of the adjusted '
            || 'rate comes from the driver''s own stops, the rest from the fleet''s rate: that {}.',
            j.raw, 1000 * j.count_low / j.km, 1000 * j.count_high / j.km, j.adjusted, j.cell_rate,
            j.fleet_rate_per_1000km,
            j.effects[2 + sign(round(j.standardised - j.raw, 1))::integer],
            100 * j.own_weight,
            j.effects[2 + sign(round(j.adjusted - j.standardised, 1))::integer])
    end || case when j.km is not null and not j.scored then format(
        ' Too little driven for a score: {:.0f} km and {:.1f} hard stops expected; {:.0f} km or {:.1f} are needed.',
        j.km, j.expected, pr.driver_least_km, pr.driver_least_expected) else '' end
    || case when j.trips_left_out > 0 then format(
        ' Left out: {} trip{} with a distance that is not above 0 or is above {:.0f} km.',
        j.trips_left_out, case when j.trips_left_out = 1 then '' else 's' end, pr.trip_most_km) else '' end as note
from joined as j
cross join run
cross join priors as pr
order by rank
