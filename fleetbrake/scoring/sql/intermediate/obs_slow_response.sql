-- Grain: measure build_up: one row an application with an observed build-up time, with trailers or without as the vehicle usually goes.
-- x: build-up time in s, less what the foot explains: the more slowly the demand rises, the less of the brakes' own time
-- is left to see. The slope of build-up over the rise of the demand is that within vehicles, pooled over a peer group.
-- Against a pressure only the brakes themselves are timed, against the pedal valves and lines too: groups of their own.
-- Measure pressure_rise: where only a pressure is recorded, how long it takes to rise (valves, lines and the foot, which
-- differs between drivers but not between the vehicles that they share). Times in s.
-- typical: what the rules for new vehicles allow; it stands in where there are no peers.
with
events_in as (
    select
        e.*, least(finite(e.demand_rise_s), pr.foot_longest_s) as foot_s,
        concat_ws('/', e.actuation, e.demand_kind, e.category, case when t.towing then 'towing' end) as peer_group
    from stg_events as e
    join int_towing as t on t.vehicle = e.vehicle and t.towing = (e.pairing <> '')
    cross join priors as pr
    where e.build_up_s >= 0 and e.by_driver
),
pressed as (
    select e.*, least(finite(e.demand_rise_s), pr.foot_longest_s) as foot_s, concat_ws('/', e.actuation, e.category) as peer_group
    from stg_events as e
    cross join priors as pr
    where e.by_driver and e.demand_kind = 'pressure' and isfinite(e.demand_rise_s)
),
middles as (
    select vehicle, median(build_up_s) as build_up, median(foot_s) as foot
    from events_in
    where foot_s is not null
    group by all
),
within as (
    select
        e.peer_group, e.foot_s - m.foot as foot,
        greatest(-pr.foot_longest_s, least(pr.foot_longest_s, e.build_up_s - m.build_up)) as build_up
    from events_in as e
    join middles as m using (vehicle)
    cross join priors as pr
    where e.foot_s is not null
),
slopes as (
    select peer_group, round(sum(foot * build_up) / nullif(sum(foot ^ 2), 0), 6) as slope
    from within cross join priors as pr
    group by peer_group, pr.demand_slope_events
    having count(*) >= pr.demand_slope_events
)

select
    'slow_response' as indicator,
    'build_up' as measure,
    e.vehicle_id,
    e.vehicle,
    '' as wheel,
    0 as wheel_no,
    e.peer_group,
    e.event_id,
    e.event,
    e.started_at,
    e.on_day,
    e.build_up_s - coalesce(s.slope * (e.foot_s - pr.foot_usual_s), 0) as x,
    case
        when e.actuation in ('air', 'air_over_hydraulic') then pr.response_air_s
        else pr.response_other_s
    end as typical
from events_in as e
left join slopes as s using (peer_group)
cross join priors as pr
union all
select
    'slow_response', 'pressure_rise', vehicle_id, vehicle, '', 0, peer_group, event_id, event, started_at, on_day, foot_s, null::double
from pressed
