-- Grain: one row a vehicle with evidence: the indicator that weighs most and its priority.
-- What weighs is probability times weight, less what another finding explains (int_explained). Before the next trip only
-- on strong evidence of an urgent indicator.
-- What has not shown on enough trips, or may be one of the fleet's chance finds, has no priority yet (held_back).
with
probabilities as (select * from int_probabilities),
foremost as (
    select
        p.*,
        -- what is far beyond what a cause does besides is not explained by it
        case when p.deviation > pr.explained_most then 1 else coalesce(l.left_over, 1) end as kept,
        round(probability * weight * kept, 9) as concern
    from probabilities as p
    left join int_explained as l using (vehicle_id, indicator)
    cross join priors as pr
    qualify row_number() over (
        partition by vehicle_id
        -- what does not rank yet leads only where nothing else does; of equals, the one that names a wheel
        order by ranks and concern >= pr.watch_from desc, round(concern, 2) desc, wheel <> '' desc, log_odds desc,
            indicator, wheel
    ) = 1
)

select
    f.* exclude (kept),
    case
        -- likely but perhaps chance over the whole fleet: watched, not called off the road
        when not ranks and persisted >= pr.persist_least and concern >= pr.this_week_from then 'watch'
        when not ranks then 'no_sign'
        when urgent and probability * kept >= pr.urgent_probability and deviation >= pr.urgent_deviation
            and coalesce(hits, pr.urgent_hits) >= pr.urgent_hits then 'before_next_trip'
        when concern >= pr.this_week_from then 'this_week'
        when concern >= pr.next_service_from then 'next_service'
        when concern >= pr.watch_from then 'watch'
        else 'no_sign'
    end as priority,
    not ranks and concern >= pr.watch_from as held_back
from foremost as f
cross join priors as pr
