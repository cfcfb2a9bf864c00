-- Grain: one row a driver: why the counted and the adjusted rate differ, and what was left out, in sentences.
with
rates as (
    select
        *, 1000 * expected_stops / observed_km as road_rate, km - observed_km as dark_km,
        list_value('lowers it', 'hardly changes it', 'raises it') as effects
    from int_driver_rates
)

select
    r.driver_id,
    concat_ws(' ',
        case
            when r.km is null then 'No usable distance in the trips: no rate and no score.'
            when r.ratio is null then format(
                'On none of the {:.0f} km would a hard stop have been recorded: no adjusted rate and no score.', r.km)
            when r.fleet_rate = 0 then 'No hard stop in the fleet: no driver differs from another.'
            else format(
                'Counted {:.1f} a 1000 km, adjusted {:.1f} ({:.1f} to {:.1f}). In the same vehicles and conditions an '
                || 'average driver would have had {:.2f}, in the fleet as a whole {:.2f}: that {}. {:.0f} % of the '
                || 'adjusted rate comes from the driver''s own stops, the rest from the other drivers: that {}.',
                r.raw, r.adjusted, r.adjusted_low, r.adjusted_high, r.road_rate, r.fleet_rate,
                r.effects[2 + sign(round(r.standardised - r.counted, 1))::integer], 100 * r.own_weight,
                r.effects[2 + sign(round(r.adjusted - r.standardised, 1))::integer])
        end,
        case when r.ratio is not null and r.dark_km >= 0.5 then format(
            'A hard stop would have been recorded on {:.0f} of {:.0f} km: only these make the adjusted rate.',
            r.observed_km, r.km) end,
        case when r.ratio is not null and not r.scored then format(
            'Too little driven under observation for a score or a place in the order: {:.0f} km and {:.1f} hard stops expected; '
            || '{:.0f} km or {:.1f} are needed.', r.observed_km, r.expected_stops, pr.driver_least_km, pr.driver_least_expected) end,
        case when r.stops_outside > 0 and r.km is not null then format(
            '{} hard stop{} outside of the driver''s trips: counted, not in the adjusted rate.',
            r.stops_outside, case when r.stops_outside = 1 then '' else 's' end) end,
        case when r.automatic_stops > 0 then format(
            '{} hard stop{} of the vehicle itself not counted.',
            r.automatic_stops, case when r.automatic_stops = 1 then '' else 's' end) end,
        case when r.trips_contested > 0 then format(
            'Left out: {} trip{} during which the same vehicle has another driver''s trip.',
            r.trips_contested, case when r.trips_contested = 1 then '' else 's' end) end,
        case when r.trips_left_out > 0 then format(
            'Left out: {} trip{} with a distance that is not above 0 or is above {:.0f} km.',
            r.trips_left_out, case when r.trips_left_out = 1 then '' else 's' end, pr.trip_most_km) end
    ) as note
from rates as r
cross join priors as pr
