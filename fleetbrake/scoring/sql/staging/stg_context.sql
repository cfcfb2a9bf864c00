-- Grain: one row an application, by its number: what it shares with others, so that it is no evidence of its own or not
-- the vehicle's. Numbers alone, since every observation comes by here.
-- cluster: the trip, else the day: one load, road and driver. driver (0: not known), area, condition: in order of name.
-- stood: one of the first applications after a long stand (rust film). setting: who recorded it how; newest_setting:
-- recorded as the vehicle's newest events are, since triggered recordings are biased and a new trigger makes a step.
with
conditions as (
    select distinct v.area, c.on_day, case c.condition when 'dry' then 0 when 'snow_or_ice' then 1 else 2 end as condition
    from int_conditions as c
    join stg_vehicles as v on c.depot = coalesce(v.depot, '')
),
drivers_in as (
    select driver_id, (row_number() over (order by driver_id))::integer as driver
    from (select distinct driver_id from stg_events where driver_id is not null)
),
timed as (
    select
        event, vehicle, started_at, peak_decel_mps2,
        concat_ws('/', speed_source, case when sample_rate_hz < 3.5 then 1 when sample_rate_hz < 7 then 5
            when sample_rate_hz < 15 then 10 when sample_rate_hz < 32 then 20 when sample_rate_hz < 70 then 50 else 100 end)
            as setting,  -- limits far from the rates of loggers, which scatter a little
        started_at - lag(started_at) over by_vehicle > to_days(pr.stand_days::integer) as after_stand,
        row_number() over by_vehicle as seq,
        count(*) over (partition by vehicle) as events,
        -- with a trigger raised the gentlest recording before lies under the gentlest one after, and the other way round
        min(peak_decel_mps2) over (partition by vehicle order by event rows between unbounded preceding and 1 preceding)
            as least_before,
        min(peak_decel_mps2) over (partition by vehicle order by event rows between current row and unbounded following)
            as least_after
    from stg_events cross join priors as pr
    window by_vehicle as (partition by vehicle order by event)
),
newest as (
    select vehicle, setting
    from timed cross join priors as pr
    where events - seq < pr.setting_events
    group by vehicle, setting
    qualify row_number() over (partition by vehicle order by count(*) desc, setting) = 1
),
candidates as (
    select
        vehicle, started_at as changed_at, seq - 1 as older, events - seq + 1 as newer, least_before, least_after
    from timed cross join priors as pr
    where older >= pr.setting_events and newer >= pr.setting_events
        and abs(least_after - least_before) >= pr.trigger_step_mps2
    qualify row_number() over (partition by vehicle order by abs(least_after - least_before) desc, started_at) = 1
),
triggers as (
    -- gentle events on one side alone may be chance: (1 - their share) ^ events of the other side
    select c.vehicle, c.changed_at
    from candidates as c
    join timed as t using (vehicle)
    cross join priors as pr
    group by c.vehicle, c.changed_at
    having any_value(case when c.least_after > c.least_before then c.newer else c.older end)
        * ln(1 - least(0.999, any_value(case when c.least_after > c.least_before
            then 1 / c.older else 1 / c.newer end) * coalesce(count_if(case when c.least_after > c.least_before
            then t.started_at < c.changed_at and t.peak_decel_mps2 < c.least_after
            else t.started_at >= c.changed_at and t.peak_decel_mps2 < c.least_before end), 0)))
        <= ln(any_value(pr.trigger_chance))
)

select
    t.event, t.vehicle, e.pairing <> '' as coupled, e.on_day,
    hash(coalesce(e.trip_id, e.on_day::varchar)) as cluster,
    coalesce(d.driver, 0) as driver,
    v.area,
    coalesce(c.condition, 0)::utinyint as condition,
    coalesce(max(t.after_stand) over (partition by t.vehicle order by t.event rows between 2 preceding and current row),
        false) as stood,
    t.setting = n.setting and coalesce(t.started_at >= g.changed_at, true) as newest_setting
from timed as t
join stg_events as e using (event)
join stg_vehicles as v on v.vehicle = t.vehicle
join newest as n on n.vehicle = t.vehicle
left join triggers as g on g.vehicle = t.vehicle
left join conditions as c on c.area = v.area and c.on_day = e.on_day
left join drivers_in as d on d.driver_id = e.driver_id
