-- Grain: one row a vehicle with lockups above the cut-off speed in which no anti-lock action was seen: how many
-- events, their days, the wheel with most, in words (told). Wider than the indicator: what could not be decided is in
-- here (undecided: whether it was above that speed), and a single one is enough, so that no ranking stays silent about
-- it. Same surfaces, vehicles and restarts.
with
wheels_in as (
    select *, lockup_above_cutoff is null as open
    from int_locked
    where lockup and coalesce(lockup_above_cutoff, true) and not coalesce(lockup_speed_mps < cutoff_speed_mps, false)
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
by_wheel as (select vehicle_id, wheel, open, count(*) as events from counting group by all),
worst as (
    select vehicle_id, wheel from by_wheel
    qualify row_number() over (partition by vehicle_id order by open, events desc, wheel) = 1
),
totals as (
    select
        vehicle_id,
        count(distinct event) filter (not open) as decided,
        count(distinct event) filter (open) as undecided,
        min(on_day) as first_on,
        max(on_day) as last_on
    from counting
    group by vehicle_id
),
days as (select *, concat_ws(' to ', first_on::varchar, nullif(last_on, first_on)::varchar) as days from totals)

select
    d.vehicle_id,
    w.wheel as lockup_wheel,
    d.decided + d.undecided as lockups,
    d.undecided,
    d.first_on,
    d.last_on,
    case when d.decided > 0 then format(
        'Locked above the cut-off speed without anti-lock action seen: {} event{} ({}), most often wheel {}.',
        d.decided, case when d.decided = 1 then '' else 's' end, d.days, w.wheel)
        || case when d.undecided > 0 then format(
            ' In {} more it could not be decided whether above that speed.', d.undecided) else '' end
    else format(
        'Locked without anti-lock action seen, could not be decided whether above the cut-off speed: {} event{} ({}), '
        'most often wheel {}.', d.undecided, case when d.undecided = 1 then '' else 's' end, d.days, w.wheel)
    end as told
from days as d
join worst as w using (vehicle_id)
