-- Grain: one row an application, wheel and measure whose signal could be followed. braking: in the recording of the
-- application the signal was missing, zero or frozen for longer than the limit while other wheels turned, or the wheel
-- said nothing at all in it while the other wheel of its axle turned (both at once are a raised axle) and the wheel is
-- sensed. between: the same for longer than a share of the time in which the wheel rolled unbraked since the last
-- application, where a drive was recorded: in a cut recording it is part of the first. Times in s.
with
silent as (
    select w.event, w.vehicle, w.wheel_no
    from stg_wheels as w
    join stg_wheels as o on o.event = w.event and o.wheel_no // 2 = w.wheel_no // 2 and o.wheel_no <> w.wheel_no
    where not w.sensed and w.dropout_s is null and coalesce(o.sensed, o.dropout_s is not null)
),
followed as (
    select w.event, w.vehicle, w.wheel_no, 'braking' as measure, w.dropout_s > pr.dropout_above_s as hit
    from stg_wheels as w
    cross join priors as pr
    where w.dropout_s is not null
    union all
    select event, vehicle, wheel_no, 'braking', true
    from silent
    union all
    select
        w.event, w.vehicle, w.wheel_no, 'between',
        w.dropout_between_s > greatest(pr.dropout_above_s, pr.between_share * w.watched_between_s)
    from stg_wheels as w
    join stg_events as e using (event)
    cross join priors as pr
    where w.watched_between_s >= greatest(pr.between_least_s, e.recording_s) and w.dropout_between_s is not null
)

select
    'wheel_speed_dropout' as indicator,
    f.measure,
    e.vehicle_id,
    f.vehicle,
    wheel_name(f.wheel_no) as wheel,
    f.wheel_no,
    e.event_id,
    f.event,
    e.started_at,
    e.on_day,
    f.hit,
    p.share as expected
from followed as f
join stg_events as e using (event)
join indicator_priors as p on p.indicator = 'wheel_speed_dropout' and p.measure = f.measure
