-- Grain: one row a vehicle with lockups above the cut-off speed in which no anti-lock action was seen: how many
-- events, their days, the wheel with most. Wider than the indicator: what could not be decided is in here, and a
-- single one is enough, so that no ranking stays silent about it. Same surfaces, vehicles and restarts.
with
wheels_in as (
    select * from stg_wheels
    where lockup and lockup_above_cutoff and not coalesce(lockup_speed_mps < cutoff_speed_mps, false)
        and not coalesce(modulation_cycles >= 2, modulation, abs_flag, false)
        and surface <> 'loose' and not unpaved_place and abs_fitted and coalesce(sensed, true)
),
restarts as (select * from stg_restarts where indicator = 'lockup_without_modulation'),
counting as (
    select * from wheels_in as w
    where not exists (
        select 1 from restarts as r
        where r.vehicle_id = w.vehicle_id and w.on_day <= r.restart_on
            and (r.wheel = '' or left(r.wheel, 1) = w.axle)
    )
),
by_wheel as (select vehicle_id, wheel, count(*) as events from counting group by all),
worst as (
    select vehicle_id, wheel from by_wheel
    qualify row_number() over (partition by vehicle_id order by events desc, wheel) = 1
)

select
    c.vehicle_id,
    any_value(w.wheel) as lockup_wheel,
    count(distinct c.event_id) as lockups,
    min(c.on_day) as first_on,
    max(c.on_day) as last_on
from counting as c
join worst as w using (vehicle_id)
group by c.vehicle_id
