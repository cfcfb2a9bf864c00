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
            f"{c.hard_stop_light_mps2:g} m/s2; at a lower rate a peak can be proven, its absence cannot",
        ),
        (
            "modulation",
            f"{_WHEELS} or brake_pressure_*_kpa",
            c.least_rate_modulation_hz,
            "no wheel can be observed; two or more seen cycles count at any rate",
        ),
        (
            "lockup",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_lockup_hz,
            "a wheel-speed sensor reads zero below its floor or saturates, so that the slip is only known to be at "
            "least so much",
        ),
        (
            "lockup_above_cutoff",
            f"{_WHEELS} and an independent speed or another wheel that turns",
            c.least_rate_lockup_hz,
            "lockup is NULL, or the speed of the lockup could not be told",
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
            f"{_SPEED}; {_WHEELS}; road_surface",
            None,
            "NULL only where it is no brake application; unknown where friction was not used up",
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
        ("brake_energy_kj", f"{_SPEED}; gross_mass_kg", None, "no mass was recorded"),
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
            _WHEELS,
            c.alias_free_hydraulic_hz,
            f"the rate may hide faster cycles: under {c.alias_free_hydraulic_hz:g} Hz on hydraulic, electromechanical "
            f"or unknown brakes, under {c.alias_free_air_hz:g} Hz on air brakes, or under "
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
            "the demand or the speed changes too slowly to show it",
        ),
    ]


def _indicators(c: Criteria) -> list[_Row]:
    few = "too few events with the channels"
    return [
        ("low_brake_effectiveness", f"{_DEMAND}; {_SPEED}", None, few),
        ("side_imbalance", f"{_WHEELS} of both sides of an axle", None, few),
        ("brake_drag", _WHEELS, None, f"{few}, or no free rolling before and after the application"),
        (
            "slow_response",
            f"{_DEMAND}; {_SPEED}",
            c.least_rate_build_up_hz,
            f"{few}, or rates too low for the build-up",
        ),
        ("brake_fade", f"{_DEMAND}; {_SPEED}", None, f"{few}, or none of them long enough"),
        ("lockup_without_modulation", _WHEELS, c.least_rate_modulation_hz, f"{few}, or lockup or modulation is NULL"),
        ("modulation_on_light_braking", f"{_WHEELS}; {_DEMAND}", c.least_rate_modulation_hz, few),
        ("wheel_speed_dropout", _WHEELS, None, few),
    ]
