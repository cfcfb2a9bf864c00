"""Counts of an invented fleet: drivers and vehicles crossed, depots in snow, harsh and gentle drivers, truth beside.

Only counts, no recordings: the driver model is tuned and reported on many fleets of these, with seeds apart.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Scene:
    """What a fleet is like. Spreads are standard deviations of the natural logarithm of a rate."""

    drivers: int = 300
    vehicles: int = 240
    depots: int = 6
    days: int = 60
    km_a_day: float = 180.0
    per_1000km: float = 3.0
    vehicle_spread: float = 0.3
    depot_spread: float = 0.3
    driver_shape: float = 8.0  # gamma, on top of harsh and gentle
    harsh: float = 0.15
    gentle: float = 0.15
    at_home: float = 0.6  # share of days in the driver's own vehicle
    relief: float = 0.05  # share of days at another depot
    day_shape: float = 1.0  # gamma noise of a driver's day: counts are overdispersed
    traffic_spread: float = 0.0  # city and motorway rounds within a depot, told by brake applications


@dataclass(frozen=True)
class Counts:
    """``cells``: one row a driver, vehicle and condition. ``ratio``, ``expected``: truth, one a driver."""

    cells: pd.DataFrame
    ratio: Floats
    expected: Floats
    counted: Floats
    km: Floats

    @property
    def true_rate(self) -> Floats:
        """What each driver would do in the average vehicle on the average road, a 1000 km."""
        return self.ratio * 1000.0 * self.expected.sum() / self.km.sum()


_CONDITION = {"dry": 1.0, "wet": 1.2, "snow_or_ice": 0.5}
_CATEGORY = {"N1": 0.6, "N3": 1.3}


def draw(seed: int, scene: Scene = Scene()) -> Counts:
    """A fleet of counts; the same seed gives the same fleet."""
    rng = np.random.default_rng(seed)
    s = scene
    depot_of_driver = rng.integers(0, s.depots, s.drivers)
    depot_of_vehicle = np.arange(s.vehicles) % s.depots
    category = rng.choice(list(_CATEGORY), s.vehicles)
    vehicle = np.exp(rng.normal(0, s.vehicle_spread, s.vehicles)) * np.array([_CATEGORY[c] for c in category])
    depot = np.exp(rng.normal(0, s.depot_spread, s.depots))
    kind = rng.choice([2.2, 0.5, 1.0], s.drivers, p=[s.harsh, s.gentle, 1 - s.harsh - s.gentle])
    ratio = kind * rng.gamma(s.driver_shape, 1 / s.driver_shape, s.drivers)
    snowy = rng.random((s.depots, s.days)) < np.linspace(0, 0.6, s.depots)[:, None]
    sky = np.where(snowy, "snow_or_ice", np.where(rng.random((s.depots, s.days)) < 0.25, "wet", "dry"))
    home = _one_at(rng, depot_of_driver, depot_of_vehicle)
    share = rng.choice([0.02, 0.4, 1.0], s.drivers, p=[0.1, 0.2, 0.7])  # some drive a few days only

    driver, day = np.nonzero(rng.random((s.drivers, s.days)) < 0.75 * share[:, None])
    at = np.where(rng.random(driver.size) < s.relief, rng.integers(0, s.depots, driver.size), depot_of_driver[driver])
    away = (rng.random(driver.size) >= s.at_home) | (at != depot_of_driver[driver])
    used = np.where(away, _one_at(rng, at, depot_of_vehicle), home[driver])
    at = depot_of_vehicle[used]
    km = s.km_a_day * rng.gamma(4, 0.25, driver.size)
    condition = sky[at, day]
    traffic = rng.choice(["few", "usual", "many"], driver.size)
    usual = {"few": -1.0, "usual": 0.0, "many": 1.0}
    round_ = np.exp(s.traffic_spread * np.array([usual[t] for t in traffic]))
    road = np.array([_CONDITION[c] for c in condition]) * vehicle[used] * depot[at] * round_
    expected = s.per_1000km / 1000 * km * road
    noise = rng.gamma(s.day_shape, 1 / s.day_shape, driver.size)
    count = rng.poisson(expected * ratio[driver] * noise)

    days = pd.DataFrame({
        "driver_id": [f"d{d:04d}" for d in driver], "vehicle_id": [f"v{v:04d}" for v in used],
        "fault": "", "category": category[used], "condition": condition, "area": [f"a{a}" for a in at],
        "traffic": traffic if s.traffic_spread else "unknown", "km": km, "incidents": count,
    })  # fmt: skip
    keys = ["driver_id", "vehicle_id", "fault", "category", "condition", "area", "traffic"]
    cells = days.groupby(keys, as_index=False, sort=True).sum()

    def total(of: npt.NDArray[np.generic]) -> Floats:
        return np.bincount(driver, of, s.drivers)

    seen = total(km) > 0
    return Counts(cells, ratio[seen], total(expected)[seen], total(count)[seen], total(km)[seen])


def _one_at(
    rng: np.random.Generator, depot: npt.NDArray[np.int64], of_vehicle: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """A vehicle of each depot asked for, at random."""
    order = np.argsort(of_vehicle, kind="stable")
    first = np.searchsorted(of_vehicle[order], depot)
    count = np.bincount(of_vehicle)[depot]
    return order[first + (rng.random(depot.size) * count).astype(int)]


def cells_where_roads_and_drivers_go_together(seed: int, *, in_town: float = 0.85, town: float = 12.0) -> pd.DataFrame:
    """Ten gentle drivers mostly in town, ten hard ones (twice as many stops) mostly on the road, 60 days.

    A town kilometre makes ``town`` times the stops of one on the road. Cells as the regression takes them.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(60):
        used = {place: iter(rng.permutation(20)) for place in ("town", "road")}
        for driver in range(20):
            place = "town" if rng.random() < (in_town if driver < 10 else 1.0 - in_town) else "road"
            mean = (town / 10 if place == "town" else 0.1) * (1.0 if driver < 10 else 2.0)
            rows.append((f"d{driver:02d}", f"{place} {next(used[place])}", place, 100.0, float(rng.poisson(mean))))
    days = pd.DataFrame(rows, columns=["driver_id", "vehicle_id", "area", "km", "incidents"])
    cells = days.groupby(["driver_id", "vehicle_id", "area"], as_index=False, sort=True).sum()
    category = np.where(cells["area"] == "town", "N1", "N3")
    return cells.assign(fault="", category=category, condition="dry", traffic="unknown")


def shape_by_likelihood(counts: npt.ArrayLike, expected: npt.ArrayLike, *, least: float, greatest: float) -> float:
    """Gamma shape of the ratios observed / expected (mean 1) by maximum likelihood, between ``least`` and ``greatest``.

    Counts are then negative binomial with mean E and size ``shape``. Counts that were divided by a dispersion need not
    be whole numbers. Less swayed by the few drivers with most exposure than the moments are.
    """
    count = np.asarray(counts, dtype=np.float64)
    mean = np.asarray(expected, dtype=np.float64)

    def loss(log_shape: float) -> float:
        shape = np.exp(log_shape)
        terms = special.gammaln(shape + count) - special.gammaln(shape) + shape * np.log(shape / (shape + mean))
        return -float(np.sum(terms + count * np.log(1.0 / (shape + mean))))

    found = optimize.minimize_scalar(loss, bounds=(np.log(least), np.log(greatest)), method="bounded")
    return float(np.exp(found.x))
