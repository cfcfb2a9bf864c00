-- Grain: one row a vehicle with evidence: the indicator that weighs most and its priority.
-- What weighs is probability times weight. Pressure that the anti-lock control lets go is no weak brake: light
-- modulation explains low effectiveness away. Before the next trip only on strong evidence of an urgent indicator.
-- What has not shown on enough trips, or may be one of the fleet's chance finds, has no priority yet (held_back).
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
    cross join priors as pr
    qualify row_number() over (
        partition by vehicle_id
        -- what does not rank yet leads only where nothing else does; of equals, the one with more odds
        order by ranks and concern >= pr.watch_from desc, concern desc, log_odds desc, indicator, wheel
    ) = 1
)

select
    f.* exclude (left_over),
    case
        when not ranks then 'no_sign'
        when urgent and probability * left_over >= pr.urgent_probability and deviation >= pr.urgent_deviation
            and coalesce(hits, pr.urgent_hits) >= pr.urgent_hits then 'before_next_trip'
        when concern >= pr.this_week_from then 'this_week'
        when concern >= pr.next_service_from then 'next_service'
        when concern >= pr.watch_from then 'watch'
        else 'no_sign'
    end as priority,
    not ranks and concern >= pr.watch_from as held_back
from foremost as f
cross join priors as pr
