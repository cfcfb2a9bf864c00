-- Grain: one row an application whose slope is told by the accelerometer alone. slope_mps2: the slope's share of the
-- deceleration, uphill positive: what the accelerometer shows beside the change of speed, less the middle of that over
-- the vehicle's applications, which is the sensor's zero and the usual slope. Only where no slope was recorded; one
-- steeper than roads are is a sensor that wanders.
with
events_in as (
    select event, vehicle, finite(accel_tilt_mps2) as tilt_mps2 from stg_events
    where grade is null and finite(accel_tilt_mps2) is not null
),
zeros as (
    select vehicle, median(tilt_mps2) as zero_mps2
    from events_in cross join priors as pr
    group by vehicle, pr.slope_events
    having count(*) >= pr.slope_events
)

select e.event, e.tilt_mps2 - z.zero_mps2 as slope_mps2
from events_in as e
join zeros as z using (vehicle)
cross join priors as pr
where abs(e.tilt_mps2 - z.zero_mps2) <= 9.80665 * pr.slope_most
