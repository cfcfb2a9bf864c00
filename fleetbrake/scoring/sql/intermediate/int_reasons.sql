-- Grain: one row a vehicle with evidence: its leading indicator in a sentence.
-- parts: how a finding of each indicator and measure is told; a measure without words of its own is told in numbers.
with
worded as (select * from int_worded)

select
    w.vehicle_id,
    case indicator || '/' || measure
        when 'low_brake_effectiveness/own' then format(
            'Brakes give {:.0f} % less deceleration for the same demand than {} {}.',
            100 * (1 - value / expected), basis, seen)
        when 'low_brake_effectiveness/combination' then format(
            'With its trailers or towing units the brakes give {:.0f} % less deceleration for the same demand than {} {}.',
            100 * (1 - value / expected), basis, seen) || coalesce(
                ' Towing unit or trailer: not told apart from ' || w.others || '.', '')
        when 'side_imbalance/slip' then format(
            'Wheel {} brakes less than {}: {:.0f} % less slip at equal demand {}.', wheel, opposite, 100 * value, seen)
        when 'side_imbalance/yaw' then format('{} brakes less: the vehicle turns away from it while braking {}.', who, seen)
        when 'side_imbalance/steering' then format(
            '{} brakes less: straight braking needs steering against it {}.', who, seen)
        when 'brake_drag/slip' then format(
            'Wheel {} keeps braking after release: {:.1f} % more slip than the axle''s other wheel {}.', wheel, 100 * value, seen)
        when 'brake_drag/release' then format(
            'Brakes release in {:.2f} s, {:.2f} s expected from {}, {}.', value, expected, basis, seen)
        when 'slow_response/build_up' then format(
            'Braking builds up {:.2f} s after what the demand asks, {:.2f} s expected from {}, {}.',
            value, expected, basis, seen)
        when 'brake_fade/within' then format(
            'Braking weakens by {:.0f} % more than its peers'' within hot applications {}.', -100 * (value - expected), seen)
        when 'slow_response/pressure_rise' then format(
            'The brake pressure takes {:.2f} s to rise, {:.2f} s expected from {}, {}.', value, expected, basis, seen)
        when 'lockup_without_modulation/control' then format(
            'Wheel {} locked without anti-lock action in {}{}{}.', wheel,
            case
                when outside_emergency = 0 then format('{} of {} emergency applications', hits, events_used)
                else format('{} application{}', hits, case when hits = 1 then '' else 's' end)
            end, since,
            case
                when outside_emergency = 0 then ''
                when outside_emergency = events_used then ', none of them an emergency application'
                else format(', {} of them in {} emergency applications',
                    hits - outside_emergency, events_used - outside_emergency)
            end)
        when 'lockup_without_modulation/axle_order' then format(
            'The rear axle locked before the front one in {} of {} applications with a lockup{}.', hits, events_used, since)
        when 'modulation_on_light_braking/control' then format(
            'Anti-lock control acted in {} of {} light applications, {:.1f} expected from {}{}.',
            hits, events_used, expected * events_used, basis, since)
        when 'modulation_on_light_braking/tone_ring' then format(
            'The speed signal of wheel {} pulses once a turn (tone ring) in {} of {} events{}.', wheel, hits, events_used, since)
        when 'wheel_speed_dropout/braking' then format(
            'The speed signal of wheel {} dropped out in {} of {} events{}.', wheel, hits, events_used, since)
        when 'wheel_speed_dropout/between' then format(
            'The speed signal of wheel {} dropped out between brake applications, before {} of {} events{}.',
            wheel, hits, events_used, since)
        else format(
            '{}{} ({}): {:.3g} where {:.3g} is expected from {}, {}.', upper(left(replace(indicator, '_', ' '), 1)),
            substring(replace(indicator, '_', ' '), 2), measure, value, expected, basis, seen)
    end || case
        when held_back and persisted < pr.persist_least then format(
            ' Not ranked yet: seen on {} trip{}, {:.0f} are needed.',
            persisted, case when persisted = 1 then '' else 's' end, pr.persist_least)
        when held_back then ' Not ranked: over the whole fleet chance alone makes some findings like this.' else ''
    end as reason
from worded as w
cross join priors as pr
