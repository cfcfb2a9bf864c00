"""The recording contract as a table: every column a recording may have, with kind, unit and plausible range.

The plausible ranges are our own choice: wide enough for every road vehicle, narrow enough to catch a stuck bus
value or a wrong unit. A value outside becomes NaN and is told, never clipped.
"""

from dataclasses import dataclass
from typing import Literal

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.recordings.batch import wheel_column

Kind = Literal["float", "bool", "text", "time"]


@dataclass(frozen=True)
class ContractColumn:
    """One column of the recording contract.

    ``low`` and ``high`` bound what a road vehicle can show, in ``unit``; both None for text, time and yes/no.
    """

    name: str
    kind: Kind
    unit: str
    needed: bool
    low: float | None
    high: float | None
    meaning: str


def _text(name: str, meaning: str, *, needed: bool = False) -> ContractColumn:
    return ContractColumn(name, "text", "", needed, None, None, meaning)


def _float(name: str, unit: str, low: float, high: float, meaning: str) -> ContractColumn:
    return ContractColumn(name, "float", unit, False, low, high, meaning)


def _bool(name: str, meaning: str) -> ContractColumn:
    return ContractColumn(name, "bool", "", False, None, None, meaning)


def _wheels() -> tuple[ContractColumn, ...]:
    speeds = tuple(
        _float(wheel_column(wheel, "speed"), "m/s", -30.0, 120.0, f"circumferential speed of wheel {wheel}")
        for wheel in WHEELS
    )
    pressures = tuple(
        _float(wheel_column(wheel, "pressure"), "kPa", -500.0, 40_000.0, f"pressure at the brake of wheel {wheel}")
        for wheel in WHEELS
    )
    return speeds + pressures


CONTRACT: tuple[ContractColumn, ...] = (
    _text("event_id", "one brake application, unique in the fleet; absent in continuous recordings"),
    _text("vehicle_id", "vehicle; may stand in the path as vehicle_id=... instead", needed=True),
    _text("driver_id", "driver"),
    ContractColumn("timestamp", "time", "", True, None, None, "UTC, strictly rising within an event"),
    _float("speed_mps", "m/s", -30.0, 120.0, "speed over ground; needed unless two or more wheel speeds are there"),
    *_wheels(),
    _float("brake_pressure_kpa", "kPa", -500.0, 40_000.0, "service line (hydraulic) or chamber (air) pressure"),
    _float("brake_pedal_pct", "%", -10.0, 110.0, "pedal position, 0 to 100"),
    _bool("brake_switch", "stop-lamp signal"),
    _text("brake_source", "who asked: driver, aeb, acc, esc, hold, unknown"),
    _float("endurance_torque_pct", "%", -130.0, 130.0, "retarder or engine brake"),
    _float("regen_power_kw", "kW", -2000.0, 2000.0, "recuperation"),
    _float("accelerator_pct", "%", -10.0, 110.0, "accelerator position, 0 to 100"),
    _bool("lift_axle_up", "the lift axle is raised"),
    _bool("abs_operational", "the vehicle says its anti-lock system is fully operational"),
    _bool("abs_warning_lamp", "the vehicle's anti-lock warning lamp is lit"),
    _float("supply_pressure_kpa", "kPa", -100.0, 3000.0, "lowest reservoir pressure"),
    _bool("abs_active", "the vehicle's own flag that the anti-lock control is at work"),
    _float("accel_long_mps2", "m/s**2", -60.0, 60.0, "forward positive, grade not removed"),
    _float("accel_lat_mps2", "m/s**2", -60.0, 60.0, "left positive"),
    _float("yaw_rate_radps", "rad/s", -10.0, 10.0, "left positive"),
    _float("steering_angle_rad", "rad", -40.0, 40.0, "left positive"),
    _float("gross_mass_kg", "kg", 100.0, 300_000.0, "mass of the vehicle or combination"),
    _float("grade", "dimensionless", -1.0, 1.0, "rise over run, uphill positive"),
    _float("air_temp_c", "degC", -80.0, 90.0, "outside air"),
    _float("latitude_deg", "deg", -90.0, 90.0, "north positive"),
    _float("longitude_deg", "deg", -180.0, 180.0, "east positive"),
    _text("road_surface", "from a map: paved or unpaved"),
)

BY_NAME: dict[str, ContractColumn] = {column.name: column for column in CONTRACT}

WHEEL_SPEEDS: dict[str, str] = {wheel: wheel_column(wheel, "speed") for wheel in WHEELS}
WHEEL_PRESSURES: dict[str, str] = {wheel: wheel_column(wheel, "pressure") for wheel in WHEELS}
WHEEL_SPEED_NAMES = frozenset(WHEEL_SPEEDS.values())


def short_list() -> str:
    """The column names as a person would write them, wheels as a range."""
    plain = [c.name for c in CONTRACT if c.name not in WHEEL_SPEED_NAMES and c.name not in WHEEL_PRESSURES.values()]
    return ", ".join([*plain, "wheel_speed_1l_mps to wheel_speed_6r_mps", "brake_pressure_1l_kpa to ..._6r_kpa"])
