"""Who drives what and when: trips, weather, and the moments at which the loggers are triggered."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.tyre import DRY, SNOW, WET

#: By kind of vehicle: mean trip in km, mean speed in km/h.
TRIP_SIZE: Final = {
    "van": (85.0, 26.0),
    "light truck": (110.0, 32.0),
    "truck": (190.0, 45.0),
    "tractor": (280.0, 52.0),
    "bus": (130.0, 18.0),
}
EVENTS_A_TRIP: Final = 1.5
_ROSTER_STREAM: Final = 900_000  # random streams of the roster and of the weather, apart from those of the vehicles
_WEATHER_STREAM: Final = 900_001


@dataclass(frozen=True)
class Weather:
    """Per depot code: surface code and air temperature of each day, ``(days,)``."""

    surface: dict[str, npt.NDArray[np.int64]]
    temp_c: dict[str, npt.NDArray[np.float64]]


def weather(weeks: int, seed: int) -> Weather:
    """Wet two days in five; one week of snow at one depot."""
    rng = np.random.default_rng([seed, _WEATHER_STREAM])
    surface, temp = {}, {}
    for code, depot in sc.DEPOTS.items():
        # drawn for the whole winter, so that a shorter scenario is the beginning of the longer one
        codes = np.where(rng.random(7 * sc.WEEKS) < 0.4, WET, DRY)
        degrees = depot.temp_c + rng.normal(0.0, 2.0, len(codes))
        if code == sc.SNOW_DEPOT:
            codes[list(sc.SNOW_DAYS)] = SNOW
            degrees[list(sc.SNOW_DAYS)] -= 5.0
        surface[code], temp[code] = codes[: 7 * weeks], degrees[: 7 * weeks]
    return Weather(surface, temp)


def _runs(vehicle: sc.Vehicle, day: int, luck: float) -> bool:
    """Whether the vehicle is out on that day (0 is the first Monday)."""
    if vehicle.vehicle_id == sc.SPARE_BUS:
        return day in sc.SPARE_DAYS
    last_weekday = 5 if vehicle.spec.name == "bus" else 4
    return day % 7 <= last_weekday and luck < 0.95


def _crew(code: str, day: int, rng: np.random.Generator) -> list[str]:
    """The depot's drivers in the order in which they get a vehicle that day."""
    crew = [driver for driver, depot in sc.drivers().items() if depot == code]
    order = [crew[i] for i in rng.permutation(len(crew))]
    if sc.PART_TIME_DRIVER in order:
        order.remove(sc.PART_TIME_DRIVER)
        if day in sc.PART_TIME_DAYS:
            order.insert(0, sc.PART_TIME_DRIVER)
    if code == sc.SNOW_DEPOT and day in sc.SNOW_DAYS:
        order.remove(sc.SNOW_DRIVER)
        order.insert(0, sc.SNOW_DRIVER)
    return order


def roster(weeks: int, seed: int) -> pd.DataFrame:
    """All trips of the fleet: ids, times (UTC), distance, load share, trailer and the day's number."""
    rng = np.random.default_rng([seed, _ROSTER_STREAM])
    rows = []
    first = datetime.combine(sc.FIRST_DAY, datetime.min.time(), UTC)
    for day in range(7 * weeks):
        for code in sc.DEPOTS:
            vehicles = [v for v in sc.FLEET if v.depot == code]
            out = [v for v in vehicles if _runs(v, day, rng.random())]
            order = [out[i] for i in rng.permutation(len(out))]
            crew = _crew(code, day, rng)[: len(order)]
            _give_steep_round(order, crew, rng.random())
            midnight = first + timedelta(days=day)
            rows += [_trip(v, driver, day, midnight, rng) for v, driver in zip(order, crew, strict=False)]
    trips = pd.DataFrame(rows)
    trips.insert(0, "trip_id", [f"TRIP-{i:05d}" for i in range(1, len(trips) + 1)])
    return trips


def _give_steep_round(order: list[sc.Vehicle], crew: list[str], luck: float) -> None:
    """Every other day the snow driver has the steep round: swaps vehicles in place."""
    steep = [i for i, v in enumerate(order) if v.vehicle_id == sc.STEEP_ROUND]
    if steep and sc.SNOW_DRIVER in crew and luck < 0.5:
        a, b = steep[0], crew.index(sc.SNOW_DRIVER)
        order[a], order[b] = order[b], order[a]


def _trip(
    vehicle: sc.Vehicle, driver: str, day: int, midnight: datetime, rng: np.random.Generator
) -> dict[str, object]:
    mean_km, mean_kmh = TRIP_SIZE[vehicle.spec.name]
    distance = float(np.clip(rng.lognormal(np.log(mean_km), 0.25), 0.4 * mean_km, 1.8 * mean_km))
    start = midnight + timedelta(seconds=round(rng.uniform(4.5, 8.0) * 3600))
    hours = distance / (mean_kmh * rng.uniform(0.9, 1.1))
    trailer = list(sc.TRAILERS)[day % len(sc.TRAILERS)] if vehicle.vehicle_id == sc.ARTICULATED else None
    return {
        "vehicle_id": vehicle.vehicle_id,
        "driver_id": driver,
        "started_at": start,
        "ended_at": start + timedelta(seconds=round(hours * 3600)),
        "distance_km": round(distance, 1),
        "brake_applications": int(rng.poisson(distance * (2.2 if vehicle.spec.name == "bus" else 0.9))),
        "trailer_ids": trailer,
        # vans empty and fill within a day: between the extremes on average; nobody records their mass
        "load": float(rng.uniform(*((0.3, 0.8) if vehicle.spec.name == "van" else (0.1, 1.0)))),
        "day": day,
    }


def triggers(trips: pd.DataFrame, spare: bool, rng: np.random.Generator) -> pd.DataFrame:
    """One row an event of one vehicle: its trip's columns and ``onset_at``, in time order, at least a minute apart."""
    counts = np.ones(len(trips), dtype=int) if spare else np.minimum(rng.poisson(EVENTS_A_TRIP, len(trips)), 6)
    events = trips.loc[trips.index.repeat(counts)].reset_index(drop=True)
    if events.empty:
        return events.assign(onset_at=pd.Series(dtype="datetime64[us, UTC]"))
    number = events.groupby("trip_id").cumcount().to_numpy()
    of = np.repeat(counts, counts)
    part = (number + rng.uniform(0.15, 0.85, len(events))) / of
    margin = 120.0  # s at both ends, longer than any recording
    length = (events["ended_at"] - events["started_at"]).dt.total_seconds().to_numpy() - 2 * margin
    offset = np.round(margin + part * length, 2)
    return events.assign(onset_at=events["started_at"] + pd.to_timedelta(offset, unit="s"))
