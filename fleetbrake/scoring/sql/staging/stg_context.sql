-- Grain: one row an application: what it shares with others, so that it is no evidence of its own or not the vehicle's.
-- cluster: the trip, else the day: one load, road and driver. week: fleet-wide steps such as winter tyres, and seasons.
-- event: its number in time over all vehicles, by which others sort and join without its id.
-- stood: one of the first applications after a long stand (rust film). setting: who recorded it how; newest_setting:
-- recorded as the vehicle's newest events are, since triggered recordings are biased and a new trigger makes a step.
with
events_in as (
    select e.*, r.trip_id, r.speed_source, r.sample_rate_hz, r.peak_decel_mps2
    from stg_events as e join events as r using (event_id)
),
conditions as (select * from int_conditions),
timed as (
    select
        *,
        started_at - lag(started_at) over by_vehicle > to_days(pr.stand_days::integer) as after_stand,
        concat_ws('/', speed_source, case when sample_rate_hz < 3.5 then 1 when sample_rate_hz < 7 then 5
            when sample_rate_hz < 15 then 10 when sample_rate_hz < 32 then 20 when sample_rate_hz < 70 then 50 else 100 end)
            as setting,  -- limits far from the rates of loggers, which scatter a little
        row_number() over (partition by vehicle_id order by started_at desc, event_id desc) as back,
        count(*) over (partition by vehicle_id) as events
    from events_in cross join priors as pr
    window by_vehicle as (partition by vehicle_id order by started_at, event_id)
),
newest as (
    select vehicle_id, setting
    from timed cross join priors as pr
    where back <= pr.setting_events
    group by vehicle_id, setting
    qualify row_number() over (partition by vehicle_id order by count(*) desc, setting) = 1
),
edges as (
    -- with a trigger raised the gentlest recording before lies under the gentlest one after, and the other way round
    select
        vehicle_id, started_at, events - back as older, back as newer,
        min(peak_decel_mps2) over (partition by vehicle_id order by started_at, event_id
            rows between unbounded preceding and 1 preceding) as least_before,
        min(peak_decel_mps2) over (partition by vehicle_id order by started_at, event_id
            rows between current row and unbounded following) as least_after
    from timed
),
candidates as (
    select vehicle_id, started_at as changed_at, older, newer, least_before, least_after
    from edges cross join priors as pr
    where older >= pr.setting_events and newer >= pr.setting_events
        and abs(least_after - least_before) >= pr.trigger_step_mps2
    qualify row_number() over (
        partition by vehicle_id order by abs(least_after - least_before) desc, started_at) = 1
),
triggers as (
    -- gentle events on one side alone may be chance: (1 - their share) ^ events of the other side
    select c.vehicle_id, c.changed_at
    from candidates as c
    join timed as t using (vehicle_id)
    cross join priors as pr
    group by c.vehicle_id, c.changed_at
    having any_value(case when c.least_after > c.least_before then c.newer else c.older end)
        * ln(1 - least(0.999, any_value(case when c.least_after > c.least_before
            then 1 / c.older else 1 / c.newer end) * coalesce(count_if(case when c.least_after > c.least_before
            then t.started_at < c.changed_at and t.peak_decel_mps2 < c.least_after
            else t.started_at >= c.changed_at and t.peak_decel_mps2 < c.least_before end), 0)))
        <= ln(any_value(pr.trigger_chance))
)

select
    t.event_id,
    row_number() over (order by t.started_at, t.event_id) as event,
    t.vehicle_id,
    coalesce(t.trip_id, t.on_day::varchar) as cluster,
    coalesce(t.driver_id, '') as driver,
    coalesce(t.depot, '') as area,
    date_trunc('week', t.on_day)::date as week,
    coalesce(c.condition, 'dry') as condition,
    coalesce(max(t.after_stand) over (partition by t.vehicle_id order by t.started_at, t.event_id
        rows between 2 preceding and current row), false) as stood,
    t.setting = n.setting and coalesce(t.started_at >= g.changed_at, true) as newest_setting
from timed as t
join newest as n using (vehicle_id)
left join triggers as g using (vehicle_id)
left join conditions as c on c.depot = coalesce(t.depot, '') and c.on_day = t.on_day
