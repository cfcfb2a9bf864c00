"""The invented fleet: places, vehicles, drivers, faults. Nothing here exists; the coordinates lie in the open ocean."""

from dataclasses import dataclass
from datetime import date
from typing import Final

from fleetbrake.simulation.applications import BUS, LIGHT_TRUCK, TRACTOR, TRUCK, VAN, VehicleSpec

FIRST_DAY: Final = date(2026, 1, 5)  # a Monday
WEEKS: Final = 8


@dataclass(frozen=True)
class Depot:
    """A depot: where it lies, how many drivers, how its roads are."""

    name: str
    code: str
    latitude_deg: float
    longitude_deg: float
    drivers: int
    grade_spread: float  # standard deviation of the roads' grade
    hard_factor: float  # how much more often its streets ask for a hard stop
    temp_c: float


DEPOTS: Final = {
    depot.code: depot
    for depot in (
        Depot("Veldhaven", "VH", -38.10, -22.40, 16, 0.010, 1.0, 5.0),
        Depot("Kaltenrode", "KR", -37.20, -21.10, 14, 0.030, 1.5, -1.0),
        Depot("Ostermarn", "OM", -38.60, -20.70, 16, 0.010, 1.0, 1.0),
        Depot("Tarnwick", "TW", -37.70, -23.30, 14, 0.015, 1.0, 4.0),
    )
}


@dataclass(frozen=True)
class Vehicle:
    """One vehicle of the scenario. ``number`` is its place in the fleet (seeds its random numbers)."""

    vehicle_id: str
    depot: str
    spec: VehicleSpec
    number: int


@dataclass(frozen=True)
class Fault:
    """What is wrong with a vehicle: indicator code, wheel (None for the whole vehicle), since when, how much.

    ``repaired_on``: put right that day after the last trip; None: still there at the end.
    """

    vehicle_id: str
    indicator: str
    wheel: str | None
    since: date
    size: float
    repaired_on: date | None = None

    def present_on(self, day: date) -> bool:
        """Whether the fault is there on a day's trips."""
        return self.since <= day and (self.repaired_on is None or day <= self.repaired_on)


def _fleet() -> tuple[Vehicle, ...]:
    groups = (
        ("VH", "V", VAN, 14),
        ("KR", "V", VAN, 5),
        ("KR", "T", LIGHT_TRUCK, 6),
        ("OM", "B", BUS, 12),
        ("TW", "T", TRUCK, 10),
        ("TW", "A", TRACTOR, 1),
    )
    names = [(f"{d}-{k}{i:02d}", d, spec) for d, k, spec, n in groups for i in range(1, n + 1)]
    return tuple(Vehicle(name, depot, spec, i) for i, (name, depot, spec) in enumerate(names))


FLEET: Final = _fleet()

FAULTS: Final = (
    Fault("VH-V03", "side_imbalance", "1L", date(2026, 1, 14), 0.45),
    Fault("VH-V06", "lockup_without_modulation", "1R", date(2026, 1, 12), 1.0),
    Fault("VH-V09", "modulation_on_light_braking", "1L", date(2026, 1, 26), 0.30),
    Fault("VH-V11", "brake_drag", "2L", date(2026, 1, 12), 2.2),
    Fault("KR-T02", "slow_response", None, date(2026, 1, 19), 0.30),
    Fault("OM-B07", "side_imbalance", "2R", date(2026, 1, 5), 0.55),
    Fault("TW-T03", "low_brake_effectiveness", None, date(2026, 1, 12), 0.35),
    Fault("TW-T05", "brake_fade", None, date(2026, 1, 5), 0.0035),
    Fault("TW-T07", "wheel_speed_dropout", "2R", date(2026, 1, 19), 0.12),
)

#: What was there for some weeks, was found by one of the inspections below and put right. Vans make hardly any long
#: application, so that fade shows in hardly any recording.
REPAIRED_FAULTS: Final = (
    Fault("KR-T01", "side_imbalance", "1R", date(2026, 1, 8), 0.50, date(2026, 2, 4)),
    Fault("TW-T02", "brake_drag", "2R", date(2026, 1, 12), 2.2, date(2026, 2, 5)),
    Fault("KR-T04", "modulation_on_light_braking", "1L", date(2026, 1, 12), 0.30, date(2026, 2, 11)),
    Fault("KR-V02", "brake_fade", None, date(2026, 1, 12), 0.0035, date(2026, 2, 13)),
    Fault("OM-B05", "slow_response", None, date(2026, 1, 14), 0.30, date(2026, 2, 18)),
    Fault("OM-B08", "low_brake_effectiveness", None, date(2026, 1, 5), 0.35, date(2026, 2, 19)),
)

#: Inspections within the recorded weeks, each after the vehicle's last trip of that day. What they find is what the
#: vehicle has on that day.
INSPECTED: Final = (
    ("KR-T01", date(2026, 2, 3)),
    ("TW-T02", date(2026, 2, 5)),
    ("VH-V10", date(2026, 2, 6)),
    ("KR-T04", date(2026, 2, 10)),
    ("OM-B10", date(2026, 2, 11)),
    ("KR-V02", date(2026, 2, 12)),
    ("TW-T06", date(2026, 2, 16)),
    ("OM-B05", date(2026, 2, 17)),
    ("OM-B08", date(2026, 2, 18)),
    ("KR-T03", date(2026, 2, 20)),
    ("VH-V04", date(2026, 2, 24)),
)

#: Every second Sunday the fleet was scored, besides the end of the recordings.
SCORED_ON: Final = (date(2026, 1, 18), date(2026, 2, 1), date(2026, 2, 15))

#: Trailer -> factor of its brake force.
TRAILERS: Final = {"TW-TR1": 1.0, "TW-TR2": 0.35, "TW-TR3": 1.0}
TRAILER_MAX_KG: Final = 24000.0
TRAILER_BRAKING_RATE: Final = 0.6

HARD_DRIVERS: Final = ("VH-D04", "OM-D05", "TW-D06")
#: Smooth, but half of the time on the steep town round that makes everybody brake hard, and out on every day of snow.
SNOW_DRIVER: Final = "KR-D03"
STEEP_ROUND: Final = "KR-T06"
STEEP_FACTOR: Final = 22.0
PART_TIME_DRIVER: Final = "VH-D16"
PART_TIME_DAYS: Final = (2, 23, 44)

SNOW_DEPOT: Final = "KR"
SNOW_DAYS: Final = range(21, 28)  # 26 January to 1 February
ICY_DEPOT: Final = "OM"
ICY_DAYS: Final = range(14, 42)
ICY_STOP: Final = (-38.5872, -20.7311)  # where the buses of Ostermarn stop on polished ice at the kerb side

GRAVEL_TRUCKS: Final = ("TW-T09", "TW-T10")
LAMP_BUS: Final = "OM-B04"
SPARE_BUS: Final = "OM-B12"
SPARE_DAYS: Final = (9, 37)
ELECTRIC_VAN: Final = "VH-V14"
ARTICULATED: Final = "TW-A01"
HELD_GNSS: Final = ("VH-V05", "KR-V04", "OM-B03", "TW-T04")
OVERDUE: Final = "VH-V02"


def fault_of(vehicle_id: str) -> Fault | None:
    """The fault that a vehicle has or had, if any: no vehicle has two."""
    return next((fault for fault in (*FAULTS, *REPAIRED_FAULTS) if fault.vehicle_id == vehicle_id), None)


def drivers() -> dict[str, str]:
    """Driver -> depot code."""
    return {f"{d.code}-D{i:02d}": d.code for d in DEPOTS.values() for i in range(1, d.drivers + 1)}
