"""Who drives what and when in the proving fleet, and how often the brake is hit hard on each trip.

Hard stops of a trip: Poisson with mean ``km / 1000 x driver x round x area x condition``, times a gamma mood of the
day (overdispersion), in incidents of one to three stops. The true rate of a driver is per 1000 km at the fleet's
km-weighted mean of the factors: in the average vehicle on the average road.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.simulation.proving.setting import FIRST_DAY, STREAMS, Depot, Driver, Rng, Setting, Unit
from fleetbrake.simulation.schedule import TRIP_SIZE
from fleetbrake.simulation.tyre import DRY, SNOW, WET

#: Hard stops by condition: on wet roads more; on snow no tyre gives the deceleration that makes a stop a hard one.
CONDITION_FACTOR: Final = {DRY: 1.0, WET: 1.25, SNOW: 0.0}
#: Hard stops in one incident, and their shares.
BURST: Final = ((1, 2, 3), (0.90, 0.08, 0.02))
MOOD_SHAPE: Final = 4.0  # gamma shape of the day's mood, mean 1
AUTOMATIC_PER_1000KM: Final = 0.2  # the vehicle's own emergency braking, where fitted
OUT_SHARE: Final = 0.93
HOME_SHARE: Final = 0.55  # of the days on which a driver at work gets the vehicle he is used to
LENT_SHARE: Final = 0.08  # of the drivers help out at the next depot for a third of the period
FULL_DAY_S: Final = 2.5 * 3600.0


def trips_of(setting: Setting) -> pd.DataFrame:
    """All trips in time order: register columns, and ``day``, ``load``, ``unit``, ``factor``, ``hard``, ``bursts``.

    ``factor``: what road and round do to the rate, before it is scaled to the fleet's mean. ``bursts``: stops of each
    incident. ``automatic``: the vehicle's own emergency braking. ``lost``: attempts at a hard stop on snow.
    """
    rng = np.random.default_rng([setting.seed, STREAMS["roster"]])
    lent = rng.random(len(setting.drivers)) < LENT_SHARE
    rows = [row for day in range(setting.size.days) for row in _day(setting, day, lent, rng)]
    trips = pd.DataFrame(rows).sort_values(["started_at", "vehicle_id"], ignore_index=True)
    trips.insert(0, "trip_id", [f"T-{i:06d}" for i in range(1, len(trips) + 1)])
    return _hard_stops(trips, setting, rng)


def _day(setting: Setting, day: int, lent: npt.NDArray[np.bool_], rng: Rng) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    away = setting.size.days // 3 <= day < 2 * setting.size.days // 3
    for depot in setting.depots:
        last_weekday = 5 if depot.profile.name == "Dunmark" else 4
        if day % 7 > last_weekday:
            continue
        units = [u for u in setting.units if u.depot == depot.number and rng.random() < OUT_SHARE]
        crew = [
            driver
            for driver, helps in zip(setting.drivers, lent, strict=True)
            if (driver.depot + (1 if helps and away else 0)) % len(setting.depots) == depot.number
        ]
        rows += _shifts(setting, depot, day, [units[i] for i in rng.permutation(len(units))], crew, rng)
    return rows


def _shifts(
    setting: Setting, depot: Depot, day: int, units: Sequence[Unit], crew: list[Driver], rng: Rng
) -> list[dict[str, Any]]:
    """First and second shifts of a depot's day; a driver has one trip a day."""
    free = [crew[i] for i in rng.permutation(len(crew))]
    at_home = {d.home: d for d in free if d.home is not None and rng.random() < HOME_SHARE}
    trailers = list(setting.trailers.get(depot.number, {}))
    rows: list[dict[str, Any]] = []
    midnight = datetime.combine(FIRST_DAY, datetime.min.time(), UTC) + timedelta(days=day)
    wanted = [(u, 0) for u in units] + [(u, 1) for u in units if u.two_shifts]
    started: dict[str, datetime] = {}
    for unit, shift in wanted:
        driver = at_home.get(unit.number) if shift == 0 else None
        if driver is None or driver not in free:
            driver = next((d for d in free if at_home.get(d.home) is not d), free[0] if free else None)
        if driver is None:
            break
        free.remove(driver)
        trailer = None
        if unit.spec.name == "tractor" and trailers:
            trailer = trailers.pop(int(rng.integers(len(trailers))))
        begin = started.get(unit.vehicle_id, midnight + timedelta(hours=float(rng.uniform(4.5, 6.5))))
        row = _trip(unit, driver, day, begin, shift, trailer, rng)
        rows.append(row)
        started[unit.vehicle_id] = row["ended_at"] + timedelta(hours=float(rng.uniform(0.4, 1.0)))
    return rows


def _trip(
    unit: Unit, driver: Driver, day: int, begin: datetime, shift: int, trailer: str | None, rng: Rng
) -> dict[str, Any]:
    mean_km, mean_kmh = TRIP_SIZE[unit.spec.name]
    mean_km *= 0.55 if shift else 1.0
    distance = float(np.clip(rng.lognormal(np.log(mean_km), 0.25), 0.4 * mean_km, 1.3 * mean_km))
    seconds = round(distance / (mean_kmh * rng.uniform(0.9, 1.1)) * 3600)
    start = begin.replace(microsecond=0)
    return {
        "vehicle_id": unit.vehicle_id,
        "driver_id": driver.driver_id,
        "started_at": start,
        "ended_at": start + timedelta(seconds=seconds),
        "distance_km": round(distance, 1),
        "brake_applications": int(rng.poisson(distance * (2.2 if unit.spec.name == "bus" else 0.9))),
        "trailer_ids": trailer,
        # vans empty and fill within a day: between the extremes on average; nobody records their mass
        "load": float(rng.uniform(*((0.3, 0.8) if unit.spec.name == "van" else (0.1, 1.0)))),
        "day": day,
        "unit": unit.number,
        "base": driver.base,
    }


def _hard_stops(trips: pd.DataFrame, setting: Setting, rng: Rng) -> pd.DataFrame:
    """Columns of the hard stops, for all trips at once."""
    n = len(trips)
    unit = trips["unit"].to_numpy()
    depot = np.array([u.depot for u in setting.units])[unit]
    surface = np.stack([d.surface for d in setting.depots])[depot, trips["day"].to_numpy()]
    area = np.array([d.area_factor for d in setting.depots])[depot]
    place = np.array([u.route_factor for u in setting.units])[unit] * area
    condition = pd.Series(surface).map(CONDITION_FACTOR).to_numpy(dtype=float)
    asked = trips["base"].to_numpy() * place * trips["distance_km"].to_numpy() / 1000.0
    asked = asked / float(np.dot(*BURST)) * rng.gamma(MOOD_SHAPE, 1.0 / MOOD_SHAPE, n)
    incidents = rng.poisson(asked * condition)
    bursts = [tuple(int(k) for k in rng.choice(BURST[0], count, p=BURST[1])) for count in incidents]
    fitted = np.array(["source" in u.channels for u in setting.units])[unit]
    return trips.assign(
        surface=surface,
        factor=place * condition,
        bursts=bursts,
        hard=[sum(burst) for burst in bursts],
        automatic=rng.poisson(AUTOMATIC_PER_1000KM * trips["distance_km"].to_numpy() / 1000.0) * fitted,
        lost=rng.poisson(np.where(surface == SNOW, asked, 0.0)),
    )
