"""Places, vehicles and drivers of the proving fleet, drawn anew for every seed."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.simulation.applications import BUS, LIGHT_TRUCK, TRACTOR, TRUCK, VAN, VehicleSpec
from fleetbrake.simulation.sensors import Logger
from fleetbrake.simulation.tyre import DRY, SNOW, WET

Rng = np.random.Generator
Floats = npt.NDArray[np.float64]

FIRST_DAY: Final = date(2026, 1, 5)  # a Monday


def day_of(number: int) -> date:
    """Date of a day of the period."""
    return FIRST_DAY + timedelta(days=number)


#: Random streams of the world, apart from those of the vehicles, which are numbered from 0.
STREAMS: Final = {"setting": 800_000, "roster": 800_001, "faults": 800_002, "registers": 800_003, "truth": 800_004}


@dataclass(frozen=True)
class Size:
    """How big the fleet is: motor vehicles, drivers, days."""

    vehicles: int = 240
    drivers: int = 300
    days: int = 60


@dataclass(frozen=True)
class Profile:
    """What kind of place a depot is. ``fleet``: vehicle and its share; ``snow``: share of the period from, to."""

    name: str
    fleet: tuple[tuple[VehicleSpec, float], ...]
    grade_spread: float = 0.010
    snow: tuple[float, float] | None = None
    gravel_share: float = 0.0
    polished_stop: bool = False
    temp_c: float = 4.0


#: The depots in the order in which a growing fleet opens them; invented names.
PROFILES: Final = (
    Profile("Auental", ((VAN, 0.7), (LIGHT_TRUCK, 0.3))),
    Profile("Birkfell", ((VAN, 0.4), (LIGHT_TRUCK, 0.3), (TRUCK, 0.3)), 0.025, snow=(0.35, 0.50), temp_c=-1.0),
    Profile("Corvenna", ((TRUCK, 0.5), (LIGHT_TRUCK, 0.3), (VAN, 0.2)), gravel_share=0.35),
    Profile("Dunmark", ((BUS, 0.7), (VAN, 0.3)), polished_stop=True, temp_c=1.0),
    Profile("Eschhafen", ((TRACTOR, 0.4), (TRUCK, 0.4), (VAN, 0.2))),
    Profile("Fjellvik", ((BUS, 0.4), (VAN, 0.4), (LIGHT_TRUCK, 0.2)), 0.03, snow=(0.55, 0.78), temp_c=-3.0),
    Profile("Grabow", ((LIGHT_TRUCK, 0.5), (TRUCK, 0.3), (VAN, 0.2)), 0.015, gravel_share=0.25),
    Profile("Hollersee", ((VAN, 0.8), (LIGHT_TRUCK, 0.2)), polished_stop=True),
)


@dataclass(frozen=True)
class Depot:
    """A depot of this seed: how often its area asks for a hard stop, and where it lies (in the open ocean)."""

    profile: Profile
    number: int
    latitude_deg: float
    longitude_deg: float
    area_factor: float
    surface: npt.NDArray[np.int64]  # (days,)
    temp_c: Floats  # (days,)


@dataclass(frozen=True)
class Unit:
    """A motor vehicle: build, round, and what its logger records. ``channels``: optional columns that it has."""

    vehicle_id: str
    number: int
    depot: int
    spec: VehicleSpec
    route_factor: float  # how often its round asks for a hard stop, kind of vehicle included
    grade_spread: float
    gravel_share: float
    two_shifts: bool
    level: float  # brake force over nominal
    wheel_levels: Floats  # (6,) the same of each wheel
    control: bool  # anti-lock control fitted
    ebs: bool
    endurance: str  # none, retarder, regen
    logger: Logger
    channels: frozenset[str]


@dataclass(frozen=True)
class Driver:
    """A driver: ``base`` hard stops per 1000 km where nothing else asks for them; ``home``: number of the vehicle."""

    driver_id: str
    depot: int
    base: float
    home: int | None


@dataclass(frozen=True)
class Setting:
    """Everything but trips and faults. ``trailers``: id -> factor of its brake force, by depot."""

    seed: int
    size: Size
    depots: tuple[Depot, ...]
    units: tuple[Unit, ...]
    drivers: tuple[Driver, ...]
    trailers: dict[int, dict[str, float]]


#: Hard stops of a kind of vehicle against the fleet: own choice, buses in towns more than trucks between them.
KIND_FACTOR: Final = {"van": 1.1, "light truck": 1.0, "truck": 0.8, "tractor": 0.7, "bus": 1.2}
WET_SHARE: Final = 0.35


def setting(seed: int, size: Size) -> Setting:
    """The fleet of a seed."""
    rng = np.random.default_rng([seed, STREAMS["setting"]])
    count = min(len(PROFILES), max(4, size.vehicles // 30))
    depots = tuple(_depot(PROFILES[i], i, size.days, rng) for i in range(count))
    units = tuple(_unit(i, depots[i % count], size, rng) for i in range(size.vehicles))
    drivers = tuple(_driver(i, units, count, rng) for i in range(size.drivers))
    return Setting(seed, size, depots, units, drivers, _trailers(units, rng))


def _depot(profile: Profile, number: int, days: int, rng: Rng) -> Depot:
    surface = np.where(rng.random(days) < WET_SHARE, WET, DRY)
    # a season: ten degrees warmer at the end of two months
    temp = profile.temp_c + 10.0 * np.arange(days) / 60.0 + rng.normal(0.0, 2.0, days)
    if profile.snow is not None:
        first, last = (round(share * days) for share in profile.snow)
        surface[first:last] = SNOW
        temp[first:last] = np.minimum(temp[first:last] - 6.0, 0.5)
    place = -38.6 + 0.3 * number, -23.5 + 0.5 * (number % 4)
    return Depot(profile, number, *place, float(np.exp(rng.normal(0.0, 0.25))), surface, temp)


def _unit(number: int, depot: Depot, size: Size, rng: Rng) -> Unit:
    kinds, shares = zip(*depot.profile.fleet, strict=True)
    spec: VehicleSpec = kinds[int(rng.choice(len(kinds), p=shares))]
    heavy = spec.category == "N3"
    steep = rng.random() < 0.06
    route = KIND_FACTOR[spec.name] * float(np.exp(rng.normal(0.0, 0.3))) * (3.0 if steep else 1.0)
    endurance = "none"
    if heavy and rng.random() < 0.2:
        endurance = "retarder"
    if spec is VAN and rng.random() < 0.08:
        endurance = "regen"
    gravel = depot.profile.gravel_share * (1.0 if spec is not VAN else 0.4)
    return Unit(
        vehicle_id=f"{depot.profile.name[:2].upper()}-{number:03d}",
        number=number,
        depot=depot.number,
        spec=spec,
        route_factor=route,
        grade_spread=depot.profile.grade_spread * (2.0 if steep else 1.0),
        gravel_share=gravel if rng.random() < 0.8 else 0.0,
        two_shifts=bool(rng.random() < 0.25),
        level=float(rng.normal(1.0, 0.04)),
        wheel_levels=rng.normal(1.0, 0.03, 6),
        control=bool(rng.random() >= (0.06 if spec in (VAN, LIGHT_TRUCK) else 0.0)),
        ebs=bool(heavy and rng.random() < 0.3),
        endurance=endurance,
        logger=_logger(spec, rng),
        channels=_channels(spec, endurance, rng),
    )


def _logger(spec: VehicleSpec, rng: Rng) -> Logger:
    heavy = spec is not VAN
    return Logger(
        axles=spec.axles,
        radius_error=rng.uniform(-0.01, 0.01, 6),
        gnss_rate_hz=10.0 if rng.random() < 0.6 else 50.0,
        wheel_pressure=bool(heavy and rng.random() < 0.25),
        accel=bool(rng.random() < 0.75),
        yaw=bool(rng.random() < 0.6),
        abs_flag=bool(rng.random() < 0.6),
        mass=bool(heavy and rng.random() < 0.8),
    )


def _channels(spec: VehicleSpec, endurance: str, rng: Rng) -> frozenset[str]:
    """Optional columns: the demand (pedal, pressure or both), and what some vehicles have besides."""
    draw = rng.random(8)
    has = {"pedal": draw[0] < 0.75, "pressure": draw[0] > 0.5}
    has |= {"steering": draw[1] < 0.4, "lateral": draw[2] < 0.4, "accelerator": draw[3] < 0.5}
    has |= {"road_surface": draw[4] < 0.5, "grade": spec is not VAN and draw[5] < 0.5, "source": draw[6] < 0.5}
    has["retarder"] = endurance == "retarder" and draw[7] < 0.5
    return frozenset(name for name, there in has.items() if there)


def _driver(number: int, units: tuple[Unit, ...], depots: int, rng: Rng) -> Driver:
    # a factor of about ten between gentle and harsh drivers (own choice)
    base = float(np.clip(rng.lognormal(np.log(2.5), 0.6), 0.75, 8.0))
    if number < len(units):
        return Driver(f"D-{number:03d}", units[number].depot, base, number)
    return Driver(f"D-{number:03d}", int(rng.integers(depots)), base, None)


def _trailers(units: tuple[Unit, ...], rng: Rng) -> dict[int, dict[str, float]]:
    """Six trailers for five tractors of a depot; the fleet's first has weak brakes."""
    found: dict[int, dict[str, float]] = {}
    for unit in units:
        if unit.spec is TRACTOR:
            found.setdefault(unit.depot, {})[f"TR-{unit.number:03d}"] = float(rng.normal(1.0, 0.04))
    for depot, there in found.items():
        there[f"TR-{900 + depot}"] = 1.0
    if found:
        first = found[min(found)]
        first[min(first)] = 0.35
    return found
