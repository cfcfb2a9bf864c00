-- Grain: one row a vehicle with evidence: the indicator that weighs most, its priority and its reason in a sentence.
-- What weighs is probability times weight. Pressure that the anti-lock control lets go is no weak brake: light
-- modulation explains low effectiveness away. Before the next trip only on strong evidence of an urgent indicator.
with
probabilities as (select * from int_probabilities),
light as (
    select vehicle_id, probability as explained from probabilities where indicator = 'modulation_on_light_braking'
),
foremost as (
    select
        p.*,
        case when indicator = 'low_brake_effectiveness' then 1 - coalesce(l.explained, 0) else 1 end as left_over,
        round(probability * weight * left_over, 9) as concern
    from probabilities as p
    left join light as l using (vehicle_id)
    qualify row_number() over (partition by vehicle_id order by concern desc, indicator, wheel) = 1
),
worded as (
    select
        *,
        left(wheel, 1) || case right(wheel, 1) when 'L' then 'R' else 'L' end as opposite,
        format('in {} event{}', events_used, case when events_used = 1 then '' else 's' end)
        || coalesce(format(' since {}', first_seen_on), '') as seen
    from foremost
)

select
    w.vehicle_id, w.indicator, w.wheel, w.concern,
    case
        when urgent and probability * left_over >= pr.urgent_probability and deviation >= pr.urgent_deviation
            and coalesce(hits, pr.urgent_hits) >= pr.urgent_hits then 'before_next_trip'
        when concern >= pr.this_week_from then 'this_week'
        when concern >= pr.next_service_from then 'next_service'
        when concern >= pr.watch_from then 'watch'
        else 'no_sign'
    end as priority,
    case indicator
        when 'low_brake_effectiveness' then format(
            'Brakes give {:.0f} % less deceleration for the same demand than {} {}.',
            100 * (1 - value / expected), basis, seen)
        when 'side_imbalance' then format(
            'Wheel {} brakes less than {}: {:.0f} % less slip at equal demand {}.', wheel, opposite, 100 * value, seen)
        when 'brake_drag' then format(
            'Wheel {} keeps braking after release: {:.1f} % more slip than the other wheels {}.', wheel, 100 * value, seen)
        when 'slow_response' then format(
            'Braking builds up in {:.2f} s, {:.2f} s expected from {}, {}.', value, expected, basis, seen)
        when 'brake_fade' then format(
            'Braking weakens by {:.0f} % within long applications, {:.0f} % expected from {}, {}.',
            -100 * value, -100 * expected, basis, seen)
        when 'lockup_without_modulation' then format(
            'Wheel {} locked without anti-lock action in {}{}{}.',
            wheel,
            case
                when outside_emergency = 0 then format('{} of {} emergency applications', hits, events_used)
                else format('{} application{}', hits, case when hits = 1 then '' else 's' end)
            end,
            coalesce(format(' since {}', first_seen_on), ''),
            case
                when outside_emergency = 0 then ''
                when outside_emergency = events_used then ', none of them an emergency application'
                else format(', {} of them in {} emergency applications',
                    hits - outside_emergency, events_used - outside_emergency)
            end)
        when 'modulation_on_light_braking' then format(
            'Anti-lock control acted in {} of {} light applications, {:.1f} expected from {}{}.',
            hits, events_used, expected * events_used, basis, coalesce(format(', since {}', first_seen_on), ''))
        else format(
            'The speed signal of wheel {} dropped out in {} of {} events{}.',
            wheel, hits, events_used, coalesce(format(' since {}', first_seen_on), ''))
    end as reason
from worded as w
cross join priors as pr
