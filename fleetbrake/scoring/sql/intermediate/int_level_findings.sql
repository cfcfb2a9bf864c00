-- Grain: one row a level series: value, what was expected, deviation in standard errors (positive = worse), ln LR.
-- Peers first, else a typical value, else the own past; for indicators that say so the own past (a step, or a steady
-- trend) counts as well and the worse of the two is taken. limit: the smallest deviation, in the unit of value, that
-- would be seen (seen_from standard errors): below it the recordings say nothing.
with
series as (select * from int_series),
peers as (
    -- a category that is bad as a whole is no measure of good: its middle counts only so far from what is typical
    select s.series, g.spread, case when s.typical is null then g.centre else p.worse_sign * least(
        p.worse_sign * g.centre, p.worse_sign * s.typical + pr.peers_most * p.tau) end as centre
    from int_peers as g
    join series as s using (indicator, measure, peer_group)
    join indicator_priors as p using (indicator, measure)
    cross join priors as pr
),
compared as (
    select
        s.*, p.worse_sign, p.defect_shift as d, p.defect_spread ^ 2 as s2, pr.seen_from, pr.interval_z, pr.noise_weight,
        coalesce(g.centre, s.typical) as outside,
        case when g.centre is not null then 'peers' when s.typical is not null then 'typical' end as outside_basis,
        sqrt(s.error_now ^ 2 + coalesce(g.spread, p.tau) ^ 2) as outside_error,
        sqrt(s.error_now ^ 2 + s.error_past ^ 2 + (pr.past_share * p.tau) ^ 2) as past_error,
        case when s.trips_now >= p.least_trips then p.worse_sign * (s.now - coalesce(g.centre, s.typical))
            / outside_error end as outside_deviation,
        case when s.trips_now >= pr.persist_least and s.trips_past >= p.least_trips
            and (p.against_past or coalesce(g.centre, s.typical) is null)
            then p.worse_sign * (s.now - s.past) / past_error end as past_deviation,
        case when s.trips_now >= 2 * p.least_trips and s.span >= pr.trend_days and p.against_past and not s.changed
            then p.worse_sign * s.slope * s.span
                / sqrt((s.error_slope * s.span) ^ 2 + (pr.past_share * p.tau) ^ 2) end as trend_deviation
    from series as s
    join indicator_priors as p using (indicator, measure)
    left join peers as g using (series)
    cross join priors as pr
),
chosen as (
    select
        *, greatest(outside_deviation, past_deviation, trend_deviation) as deviation,
        coalesce(past_deviation > coalesce(outside_deviation, -1e9), false) as by_past,
        coalesce(trend_deviation > greatest(coalesce(outside_deviation, -1e9), coalesce(past_deviation, -1e9)), false)
            as by_trend,
        case
            when by_trend then now - slope * span / 2 when by_past then past else coalesce(outside, past)
        end as then_expected,
        case when by_trend then now + slope * span / 2 else now end as then_value,
        coalesce(outside_error, past_error) as error
    from compared
),
in_unit as (
    select
        *,
        case when indicator = 'low_brake_effectiveness' then exp(then_value) else then_value end as value,
        case when indicator = 'low_brake_effectiveness' then exp(then_expected) else then_expected end as expected
    from chosen
)

select
    series, indicator, measure, vehicle_id, wheel, split, now, then_expected, value, expected,
    case
        when by_trend then 'its own trend' when by_past then 'its own past'
        when outside_basis = 'peers' then 'its peers' else 'what is typical'
    end as basis,
    deviation,
    events_now as events_used,
    trips_now as trips_used,
    case when deviation >= seen_from then first_day end as first_seen_on,
    null::bigint as hits,
    trips_now + noise_weight - 1 as freedom,
    case when indicator = 'low_brake_effectiveness' then expected * (1 - exp(-seen_from * error)) else seen_from * error
        end as detection_limit,
    30 * slope * case when indicator = 'low_brake_effectiveness' then expected else 1 end as trend_per_30d,
    30 * error_slope * case when indicator = 'low_brake_effectiveness' then expected else 1 end as trend_se_per_30d,
    ln_normal_ratio(deviation, d, s2) as ln_lr,
    ln_normal_ratio(deviation - interval_z, d, s2) as ln_lr_less,
    ln_normal_ratio(deviation + interval_z, d, s2) as ln_lr_more
from in_unit
