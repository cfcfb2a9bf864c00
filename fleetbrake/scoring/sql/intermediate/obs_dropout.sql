-- Grain: one row an application, wheel and measure whose signal could be followed. braking: in the recording of the
-- application the signal was missing, zero or frozen for longer than the limit while other wheels turned, or the wheel
-- said nothing at all in it while the other wheel of its axle turned (both at once are a raised axle) and the wheel is
-- sensed. between: the same for longer than a share of the time in which the wheel rolled unbraked since the last
-- application, where a drive was recorded: in a cut recording it is part of the first. Times in s.
with
wheels_in as (select * from stg_wheels),
silent as (
    select w.*
    from wheels_in as w
    join wheels_in as o on o.event_id = w.event_id and o.axle = w.axle and o.side <> w.side
    where not w.sensed and w.dropout_s is null and coalesce(o.sensed, o.dropout_s is not null)
),
followed as (
    select w.*, 'braking' as measure, w.dropout_s > pr.dropout_above_s as hit
    from wheels_in as w
    cross join priors as pr
    where w.dropout_s is not null
    union all by name
    select *, 'braking' as measure, true as hit
    from silent
    union all by name
    select
        w.*,
        'between' as measure,
        w.dropout_between_s > greatest(pr.dropout_above_s, pr.between_share * w.watched_between_s) as hit
    from wheels_in as w
    cross join priors as pr
    where w.watched_between_s >= greatest(pr.between_least_s, w.recording_s) and w.dropout_between_s is not null
)

select
    'wheel_speed_dropout' as indicator,
    f.measure,
    f.vehicle_id,
    f.wheel,
    f.event_id,
    f.started_at,
    f.on_day,
    f.hit,
    p.share as expected
from followed as f
join indicator_priors as p on p.indicator = 'wheel_speed_dropout' and p.measure = f.measure
