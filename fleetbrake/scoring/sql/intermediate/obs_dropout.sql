-- Grain: one row an application and wheel whose signal could be followed.
-- hit: the signal was missing, zero or frozen for longer than the limit while other wheels turned.
with
wheels_in as (select * from stg_wheels where dropout_s is not null)

select
    'wheel_speed_dropout' as indicator,
    w.vehicle_id,
    w.wheel,
    w.event_id,
    w.started_at,
    w.on_day,
    w.dropout_s > priors.dropout_above_s as hit,
    p.share as expected
from wheels_in as w
join indicator_priors as p on p.indicator = 'wheel_speed_dropout'
cross join priors
