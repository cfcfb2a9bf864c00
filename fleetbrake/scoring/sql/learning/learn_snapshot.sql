-- Grain: one row a vehicle: what the evidence up to the day of the run says, as learning takes it.
-- Units: prior_probability 0 to 1; *_ln_lr ln likelihood ratio, the greatest over wheels, NULL where the indicator
-- could not be observed; place 0 to 1: share of the fleet with a greater prior probability, equal ones by lot.
with
scores as (select * from int_vehicle_scores),
usable as (select * from int_usable_events),
told as (
    select vehicle_id, indicator, round(max(ln_lr), 6) as ln_lr
    from int_probabilities
    group by all
),
wide as (
    pivot told on indicator in (
        'low_brake_effectiveness', 'side_imbalance', 'brake_drag', 'slow_response', 'brake_fade',
        'lockup_without_modulation', 'modulation_on_light_braking', 'wheel_speed_dropout'
    ) using any_value(ln_lr) group by vehicle_id
)

select
    s.vehicle_id,
    s.probability as prior_probability,
    w.low_brake_effectiveness as low_brake_effectiveness_ln_lr,
    w.side_imbalance as side_imbalance_ln_lr,
    w.brake_drag as brake_drag_ln_lr,
    w.slow_response as slow_response_ln_lr,
    w.brake_fade as brake_fade_ln_lr,
    w.lockup_without_modulation as lockup_without_modulation_ln_lr,
    w.modulation_on_light_braking as modulation_on_light_braking_ln_lr,
    w.wheel_speed_dropout as wheel_speed_dropout_ln_lr,
    coalesce(u.events_used, 0) as events_used,
    (row_number() over (order by s.probability desc, md5(s.vehicle_id || run.as_of), s.vehicle_id) - 0.5)
        / count(*) over () as place,
    count(*) over () as fleet_vehicles
from scores as s
left join wide as w using (vehicle_id)
left join usable as u using (vehicle_id)
cross join run
order by s.vehicle_id
