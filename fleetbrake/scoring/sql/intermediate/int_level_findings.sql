-- Grain: one row a level series: value, what was expected, deviation in standard errors (positive = worse), ln LR.
-- Peers first, else a typical value, else the own past; for indicators that say so the own past counts as well and
-- the worse of the two is taken.
with
series as (select * from int_series),
peers as (select * from int_peers),
compared as (
    select
        s.*, p.worse_sign, p.defect_shift as d, p.defect_spread ^ 2 as s2, pr.seen_from, pr.interval_z,
        coalesce(g.centre, s.typical) as outside,
        case when g.centre is not null then 'peers' when s.typical is not null then 'typical' end as outside_basis,
        case when s.events_now >= p.least_events then p.worse_sign * (s.now - coalesce(g.centre, s.typical))
            / sqrt(s.error_now ^ 2 + coalesce(g.spread, p.tau) ^ 2) end as outside_deviation,
        case when s.events_now >= p.least_events and s.events_past >= p.least_events
            and (p.against_past or coalesce(g.centre, s.typical) is null) then p.worse_sign * (s.now - s.past)
            / sqrt(s.error_now ^ 2 + s.error_past ^ 2 + (pr.past_share * p.tau) ^ 2) end as past_deviation
    from series as s
    join indicator_priors as p using (indicator)
    left join peers as g on g.indicator = s.indicator and g.peer_group = s.peer_group
    cross join priors as pr
),
chosen as (
    select
        *, greatest(outside_deviation, past_deviation) as deviation,
        coalesce(past_deviation > coalesce(outside_deviation, -1e9), false) as by_past
    from compared
)

select
    indicator, vehicle_id, wheel, split,
    now, case when by_past then past else coalesce(outside, past) end as then_expected,
    case when indicator = 'low_brake_effectiveness' then exp(now) else now end as value,
    case when indicator = 'low_brake_effectiveness' then exp(then_expected) else then_expected end as expected,
    case when by_past then 'its own past' when outside_basis = 'peers' then 'its peers' else 'what is typical' end as basis,
    deviation,
    events_now as events_used,
    case when deviation >= seen_from then first_day end as first_seen_on,
    null::bigint as hits,
    ln_normal_ratio(deviation, d, s2) as ln_lr,
    ln_normal_ratio(deviation - interval_z, d, s2) as ln_lr_less,
    ln_normal_ratio(deviation + interval_z, d, s2) as ln_lr_more
from chosen
