-- Grain: one row an application whose slope is told by the accelerometer alone. slope_mps2: the slope's share of the
-- deceleration, uphill positive: what the accelerometer shows beside the change of speed, less the middle of that over
-- the vehicle's applications, which is the sensor's zero and the usual slope. Only where no slope was recorded; one
-- steeper than roads are is a sensor that wanders.
with
events_in as (
    select event_id, vehicle_id, finite(accel_tilt_mps2) as tilt_mps2
    from events
    join (select event_id from stg_events where grade is null) as e using (event_id)
),
zeros as (
    select vehicle_id, median(tilt_mps2) as zero_mps2
    from events_in cross join priors as pr
    where tilt_mps2 is not null
    group by vehicle_id, pr.slope_events
    having count(*) >= pr.slope_events
)

select e.event_id, e.tilt_mps2 - z.zero_mps2 as slope_mps2
from events_in as e
join zeros as z using (vehicle_id)
cross join priors as pr
where abs(e.tilt_mps2 - z.zero_mps2) <= 9.80665 * pr.slope_most
