"""What each class, quantity and indicator needs to be observed at all: the published table ``observability``."""

import pyarrow as pa

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.tables import OBSERVABILITY
from fleetbrake.store.arrow import arrow_schema

_WHEELS = "wheel_speed_*_mps"
_SPEED = "speed_mps or two wheel_speed_*_mps"
_DEMAND = "brake_pedal_pct or brake_pressure_kpa"
_NO_BRAKING = "the event is no brake application (not_braking says why)"


def observability(criteria: Criteria) -> pa.Table:
    """One row a subject, in the columns of ``core.tables.OBSERVABILITY``; rates in Hz, from the criteria."""
    rows = [*_classes(criteria), *_quantities(criteria), *_indicators(criteria)]
    schema = arrow_schema({column.name: column.type for column in OBSERVABILITY})
    return pa.Table.from_pylist([dict(zip(schema.names, row, strict=True)) for row in rows], schema=schema)


_Row = tuple[str, str, float | None, str]


def _classes(c: Criteria) -> list[_Row]:
    return [
        (
            "hard_stop",
            _SPEED,
            c.least_rate_peak_hz,
            f"{_NO_BRAKING}; the category is unknown and the peak lies between {c.hard_stop_heavy_mps2:g} and "
            f"{c.hard_stop_light_mps2:g} m/s2; at a lower rate, or from wheels alone that ran into slip, a peak can be "
            "proven, its absence cannot",
        ),
        (
            "modulation",
            f"{_WHEELS} or brake_pressure_*_kpa",
            c.least_rate_modulation_hz,
            f"no wheel can be observed; two or more seen cycles count at any rate. Under {c.alias_free_hydraulic_hz:g} "
            f"Hz quick cycles can look like a steady slip: NULL where a wheel slipped more than {c.cycle_peak_slip:g} "
            f"for {c.two_quick_cycles_s:g} s, swung once, or the vehicle's own flag was raised. Also NULL where slow "
            "cycles are in step with the deceleration and only a stop lamp, or nothing, tells of the foot; where a "
            "wheel's signal pulses once a turn; where noise or a rough road hides any cycle",
        ),
        (
            "lockup",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_lockup_hz,
            "a wheel-speed sensor reads zero below its floor (told by the file or by the vehicle's stops: "
            "sensor_floor_mps) or saturates, so that the slip is only known to be at least so much; a signal dropped "
            "out, froze or fell faster than a brake can stop a wheel; a wheel that stood before the demand (raised "
            f"axle, not sensed); rows missing for {c.gap_s:g} s; nothing independent left to compare with. "
            "lockup_open_mps says up to which speed",
        ),
        (
            "lockup_above_cutoff",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_lockup_hz,
            "a lockup above the cut-off speed could not be decided; what stays open below it does not count",
        ),
        (
            "near_lockups",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_near_lock_hz,
            "lockup is NULL; at a lower rate one can be seen, its absence cannot be told",
        ),
        (
            "emergency_application",
            f"{_DEMAND}; {_WHEELS}",
            None,
            f"{_NO_BRAKING}; demand or friction cannot be told and the other does not decide it; pressure between the "
            "full application of air and of hydraulic brakes on a vehicle of unknown actuation",
        ),
        (
            "surface",
            f"{_SPEED}; {_WHEELS}; helped by road_surface, air_temp_c, yaw_rate_radps, gross_mass_kg, "
            "brake_pressure_kpa",
            None,
            "NULL only where it is no brake application; unknown where friction was not used up, or where no surface "
            f"is likelier than {c.surface_least_probability:g}",
        ),
    ]


def _quantities(c: Criteria) -> list[_Row]:
    return [
        (
            "peak_decel_mps2",
            _SPEED,
            c.least_rate_peak_hz,
            f"fewer than one sample in {c.peak_window_s:g} s; then peak_decel_at_least_mps2 is a lower bound",
        ),
        ("mean_decel_mps2", _SPEED, None, f"a gap longer than {c.gap_s:g} s while braking"),
        ("mfdd_mps2", _SPEED, None, "the speed did not fall through the whole 80 % to 10 % of the initial speed"),
        (
            "brake_energy_kj",
            f"{_SPEED}; gross_mass_kg; regen_power_kw and endurance_torque_pct where the register names them",
            None,
            "no mass was recorded; the register names recuperation, a retarder or an engine brake and the recording "
            "does not tell its share; without a grade the road is taken as level",
        ),
        (
            "friction_used",
            _SPEED,
            1.0 / c.friction_window_s,
            "too few samples for the mean; without a grade it is not corrected to a level road, and noted so",
        ),
        (
            "driver_id",
            "driver_id, or register trips",
            None,
            "neither the recording nor a trip of the vehicle names one",
        ),
        (
            "modulation_hz",
            f"{_WHEELS} or brake_pressure_*_kpa",
            c.alias_free_hydraulic_hz,
            "the rate of the channel they were counted in may hide faster cycles: under "
            f"{c.alias_free_hydraulic_hz:g} Hz on hydraulic, electromechanical or unknown brakes, under "
            f"{c.alias_free_air_hz:g} Hz on air brakes, or under "
            f"{c.frequency_rate_factor:g} samples a cycle",
        ),
        ("peak_slip", _WHEELS, None, "no sound signal of that wheel; where peak_slip_is_bound it is at least so much"),
        (
            "slide_m",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_lockup_hz,
            "the lockup of that wheel is NULL",
        ),
        (
            "build_up_s",
            f"{_DEMAND}; {_SPEED}",
            c.least_rate_build_up_hz,
            "the demand or the speed changes too slowly, or the demand too few times, to show it; an endurance brake, "
            "a system, or anti-lock control took part; wheels slid",
        ),
        (
            "lockup_extra_m",
            f"{_SPEED} (independent of the wheels where all lock); {_WHEELS}",
            c.least_rate_lockup_hz,
            "no lockup, or the surface is split or unknown, or rows are missing while braking; where no pair of slip "
            "and braking rate lies near the peak, its standard error is that of the published curves",
        ),
        (
            "friction_peak",
            f"{_SPEED}; {_WHEELS}",
            None,
            "the surface is split or unknown, or the standard error is more than "
            f"{100.0 * c.friction_known_within:g} % of the value",
        ),
        (
            "peak_jerk_mps3",
            _SPEED,
            c.least_rate_build_up_hz,
            f"under {c.jerk_window_s:g} s recorded up to the peak of the deceleration; rows missing; the speed rests "
            "on sliding wheels",
        ),
        (
            "last_second_share",
            _SPEED,
            c.least_rate_last_second_hz,
            f"no stop: not braked to standstill, or from under {c.last_second_from_mps:g} m/s; rows missing; the speed "
            "rests on sliding wheels",
        ),
        (
            "release_s",
            f"{_DEMAND}; {_SPEED}",
            c.least_rate_build_up_hz,
            f"as for build_up_s; braked to standstill, or braked again or driven within "
            f"{c.release_rest_after_s + c.release_rest_s:g} s after the release",
        ),
        (
            "effectiveness",
            f"{_DEMAND}; {_SPEED}",
            None,
            "the demand was never held with rolling wheels and without retarder or recuperation; anti-lock control "
            "acted; a system asked instead of the pedal; the vehicle was already braked before the demand; the "
            "register names recuperation, a retarder or an engine brake and the recording does not tell its share",
        ),
        (
            "friction_brake_kj",
            f"{_SPEED}; gross_mass_kg; register vehicles; regen_power_kw and endurance_torque_pct where it has them",
            None,
            "no mass or category; a retarder worked and never alone; the register names recuperation or a retarder and "
            "the recording does not have its channel",
        ),
        (
            "lockup_allowed",
            f"{_WHEELS} and an independent speed or another wheel that turns; register vehicles",
            c.least_rate_lockup_hz,
            "no lockup; no category, or none with a rule; the time is within a period of the limit; the rule hangs on "
            "what no recording shows (whose lock, which axles are a tandem)",
        ),
    ]


def _indicators(c: Criteria) -> list[_Row]:
    few = "too few trips or events with the channels"
    load = (
        "no mass of a vehicle over 3.5 t (N2, N3, M2, M3), or of a combination, in the event or in its trip; "
        "electronic brake control without a pressure and a mass; an endurance brake whose share nobody recorded"
    )
    return [
        (
            "low_brake_effectiveness",
            f"{_DEMAND}; {_SPEED}; gross_mass_kg; helped by grade or accel_long_mps2; register vehicles, trips",
            None,
            f"{few}; {load}; "
            "new linings not run in; a trailer is seen only with its towing unit, which never clears it",
        ),
        (
            "side_imbalance",
            f"{_WHEELS} of both sides of an axle; or yaw_rate_radps; or steering_angle_rad with it",
            None,
            f"{few}; split friction, control at work, bends; slip too small for the wheels' resolution; new linings",
        ),
        (
            "brake_drag",
            f"{_WHEELS}; or accelerator_pct (coasting); or {_DEMAND} (release)",
            None,
            f"{few}; no free rolling before and after the application; a drag under some per cent of the wheel's load",
        ),
        ("slow_response", f"{_DEMAND}; {_SPEED}", c.least_rate_build_up_hz, f"{few}; rates too low for the build-up"),
        (
            "brake_fade",
            f"{_DEMAND}; {_SPEED}; gross_mass_kg",
            None,
            f"{few}; none long or hot enough, none in a series of recorded ones; {load}",
        ),
        (
            "lockup_without_modulation",
            _WHEELS,
            c.least_rate_modulation_hz,
            f"{few}; lockup or modulation is NULL; loose ground; without anti-lock control no axle locked above "
            "15 km/h with all wheels decided",
        ),
        (
            "modulation_on_light_braking",
            f"{_WHEELS}; {_SPEED}; helped by latitude_deg, longitude_deg",
            c.least_rate_modulation_hz,
            f"{few}; loose or split ground; places where several vehicles' control acts",
        ),
        (
            "wheel_speed_dropout",
            _WHEELS,
            None,
            f"{few}; a wheel that never gave a signal, both wheels of an axle silent",
        ),
    ]
