"""The recorded applications of one vehicle: every hard stop, and a triggered sample of the ordinary ones."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.core.units import G_MPS2
from fleetbrake.simulation.applications import Applications, applications, wheel_gain
from fleetbrake.simulation.braking import SPEED_RANGE, TRAILER_GAIN, full_deceleration
from fleetbrake.simulation.dynamics import ROLLING_RESISTANCE
from fleetbrake.simulation.proving.setting import Depot, Rng, Unit
from fleetbrake.simulation.scenario import TRAILER_MAX_KG
from fleetbrake.simulation.tyre import GRAVEL, ICE, SNOW

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]

#: Kinds of application; the position is the code.
KINDS: Final = ("ordinary", "hard", "panic", "automatic", "lost", "gravel", "long", "polished")
ORDINARY, HARD, PANIC, AUTOMATIC, LOST, ON_GRAVEL, LONG, POLISHED = range(len(KINDS))

#: Deceleration from which a stop is a hard one, m/s2: the defaults of the published definition.
HARD_FROM_LIGHT, HARD_FROM_HEAVY = 4.0, 3.0
ORDINARY_A_TRIP: Final = 1.5
PANIC_SHARE: Final = 0.15  # of the hard stops, and of the attempts on snow: to the limit of the tyres
GAP_S: Final = 100.0  # between incidents, longer than any recording
IN_BURST_S: Final = 28.0  # from one hard stop to the next of the same incident
REAR_OF_LOAD: Final = 0.7  # what a load-sensing valve gives the rear axle, over its share of the load
LONG_SHARE: Final = 0.15
POLISHED_SHARE: Final = 0.06  # of the ordinary stops of a depot with a polished stop


def events_of(unit: Unit, depot: Depot, trips: pd.DataFrame, rng: Rng) -> pd.DataFrame:
    """One row an event in time order: its trip's columns, ``kind`` and ``onset_at``; ``first``: after a long stand."""
    ordinary = np.minimum(rng.poisson(ORDINARY_A_TRIP, len(trips)), 5)
    pieces = []
    for (_, trip), count in zip(trips.iterrows(), ordinary, strict=True):
        pieces.append(_of_trip(unit, depot, trip, int(count), rng))
    kinds = np.array([kind for piece in pieces for kind, _ in piece], dtype=np.int64)
    seconds = np.array([at for piece in pieces for _, at in piece])
    events = trips.loc[trips.index.repeat([len(piece) for piece in pieces])].reset_index(drop=True)
    onset = pd.to_timedelta(np.round(seconds, 2), unit="s").to_numpy()
    events = events.assign(kind=kinds, onset_at=(events["started_at"] + onset).astype("datetime64[us, UTC]"))
    stood = trips["started_at"].diff() > pd.Timedelta(hours=60)
    first = ~events["trip_id"].duplicated() & events["trip_id"].isin(trips.loc[stood, "trip_id"])
    return events.assign(first=first.to_numpy() & (rng.random(len(events)) < 0.5))


def _of_trip(unit: Unit, depot: Depot, trip: "pd.Series[Any]", ordinary: int, rng: Rng) -> list[tuple[int, float]]:
    """Kind and second from the trip's start of each event, in time order and apart."""
    groups: list[list[int]] = [[_ordinary_kind(unit, depot, int(trip["surface"]), rng)] for _ in range(ordinary)]
    groups += [[PANIC if rng.random() < PANIC_SHARE else HARD] * stops for stops in trip["bursts"]]
    groups += [[AUTOMATIC]] * int(trip["automatic"]) + [[LOST]] * int(trip["lost"])
    length = (trip["ended_at"] - trip["started_at"]).total_seconds() - 240.0
    groups = [groups[i] for i in rng.permutation(len(groups))][: max(0, int(length / GAP_S) - 1)]
    slack = length - GAP_S * len(groups)
    begin = 120.0 + np.sort(rng.uniform(0.0, slack, len(groups))) + GAP_S * np.arange(len(groups))
    return [
        (kind, float(at) + IN_BURST_S * i)
        for group, at in zip(groups, begin, strict=True)
        for i, kind in enumerate(group)
    ]


def _ordinary_kind(unit: Unit, depot: Depot, surface: int, rng: Rng) -> int:
    draw = rng.random(3)
    if draw[0] < unit.gravel_share:
        return ON_GRAVEL
    if surface != SNOW and draw[1] < LONG_SHARE:
        return LONG
    return POLISHED if depot.profile.polished_stop and draw[2] < POLISHED_SHARE else ORDINARY


def demands(unit: Unit, depot: Depot, events: pd.DataFrame, trailers: dict[str, float], rng: Rng) -> Applications:
    """Simulator parameters of the sound vehicle; the driver's foot comes with :func:`press` after the faults."""
    n, spec, kind = len(events), unit.spec, events["kind"].to_numpy()
    apps = applications(spec, n, load=events["load"].to_numpy())
    _road(apps, unit, events, kind, rng)
    _combination(apps, events, trailers)
    if not unit.control:
        apps["abs_on"] = 0
        _load_sensing(apps, unit)
    low, high = SPEED_RANGE[spec.name]
    speed = rng.uniform(low, high, n)
    slow = np.isin(apps["surface_left"], (SNOW, GRAVEL))
    speed = np.where(slow, rng.uniform(6.0, 13.0, n), speed)
    speed = np.where(kind == POLISHED, rng.uniform(7.0, 10.0, n), speed)
    apps["initial_speed_mps"] = np.where(kind == LONG, high - rng.uniform(0.0, 2.0, n), speed)
    quick = np.isin(kind, (HARD, PANIC, AUTOMATIC, LOST))
    # harsh drivers have a quick foot (own choice: a tenth quicker for each doubling of their rate)
    foot = (events["base"].to_numpy() / 2.5) ** -0.15
    apps["ramp_s"] = np.where(quick, rng.uniform(0.15, 0.3, n), rng.uniform(0.4, 1.1, n) * foot)
    rolls_on = (rng.random(n) < 0.5) & ~np.isin(kind, (PANIC, AUTOMATIC, LOST, POLISHED))
    apps["release_speed_mps"] = np.where(rolls_on, apps["initial_speed_mps"] * rng.uniform(0.2, 0.6, n), 0.0)
    apps["hold_s"] = rng.uniform(15.0, 24.0, n)
    _linings(apps, unit, depot, events, rng)
    return apps


def _load_sensing(apps: Applications, unit: Unit) -> None:
    """Without anti-lock control a valve keeps the rear wheels from locking first: pressure there by the axle's load."""
    laden = np.array(unit.spec.laden_kg[1:]).sum() * G_MPS2
    share = apps["load_n"][:, 2:].sum(axis=1) / laden
    apps["gain_nm_per_kpa"][:, 2:] *= (REAR_OF_LOAD * share)[:, None]


def _road(apps: Applications, unit: Unit, events: pd.DataFrame, kind: Codes, rng: Rng) -> None:
    n = len(events)
    surface = np.where(kind == ON_GRAVEL, GRAVEL, events["surface"].to_numpy())
    apps["surface_left"] = surface
    apps["surface_right"] = np.where(kind == POLISHED, ICE, surface)
    apps["grip"] *= np.clip(rng.normal(1.0, 0.04, n), 0.85, 1.15)
    grade = np.clip(rng.normal(0.0, unit.grade_spread, n), -0.08, 0.08)
    grade = np.where(kind == LONG, rng.uniform(-0.05, -0.01, n), grade)
    # nobody drives a slope on snow that the tyres cannot hold
    grade = np.where(surface == SNOW, np.clip(grade, -0.03, 0.03), grade)
    apps["grade"] = np.where(np.isin(kind, (POLISHED, LOST)), 0.0, grade)


def _combination(apps: Applications, events: pd.DataFrame, trailers: dict[str, float]) -> None:
    factor = events["trailer_ids"].map(trailers).fillna(0.0).to_numpy(dtype=float)
    load = events["load"].to_numpy()
    apps["trailer_mass_kg"] = np.where(factor > 0.0, 7000.0 + load * (TRAILER_MAX_KG - 7000.0), 0.0)
    apps["trailer_gain_n_per_kpa"] = factor * TRAILER_GAIN


def _linings(apps: Applications, unit: Unit, depot: Depot, events: pd.DataFrame, rng: Rng) -> None:
    """What brakes differ by: the vehicle, its wheels, the day's warmth and wetness, rust after a stand, chance."""
    n = len(events)
    warmth = depot.temp_c[events["day"].to_numpy()]
    wet = events["surface"].to_numpy() != 0
    level = unit.level * (1.0 - 0.001 * (warmth - 5.0)) * np.where(wet, 0.97, 1.0)
    level = level * np.where(events["first"].to_numpy(), rng.uniform(0.75, 0.95, n), 1.0)
    level = level * rng.normal(1.0, 0.04, n)
    apps["factor"] *= level[:, None] * unit.wheel_levels * rng.normal(1.0, 0.015, (n, 6))


def _wanted(apps: Applications, unit: Unit, kind: Codes, rng: Rng) -> Floats:
    """Deceleration that the driver wants, m/s2 ``(E,)``."""
    n, threshold = len(kind), HARD_FROM_LIGHT if unit.spec.category == "N1" else HARD_FROM_HEAVY
    ordinary = np.clip(rng.lognormal(np.log(1.7), 0.28, n), 0.8, 0.78 * threshold)
    gravel = np.clip(rng.uniform(1.2, 2.7, n), 1.2, 0.78 * threshold)
    want = np.select(
        [kind == HARD, np.isin(kind, (PANIC, AUTOMATIC, LOST)), kind == ON_GRAVEL, kind == LONG, kind == POLISHED],
        [
            threshold * rng.uniform(1.15, 1.6, n),
            np.full(n, 12.0),
            gravel,
            rng.uniform(1.0, 1.6, n),
            rng.uniform(1.6, 2.2, n),
        ],
        ordinary,
    )
    quick = np.isin(kind, (PANIC, LOST))
    on_snow = (apps["surface_left"] == SNOW) & ~quick
    return np.asarray(np.where(on_snow, rng.uniform(0.9, 1.5, n), want))


def press(apps: Applications, unit: Unit, kind: Codes, rng: Rng) -> Floats:
    """Set the pedal so that the wanted deceleration comes; returns what an electronic control is asked, ``(E,)`` in %.

    A driver feels what he gets: he presses a weak brake harder. What he does not foresee is the day's chance of the
    linings, some 5 % of what he asks (own choice).
    """
    want = _wanted(apps, unit, kind, rng)
    force = want - G_MPS2 * (apps["grade"] + ROLLING_RESISTANCE)
    endurance = _endurance(apps, unit, kind, rng)
    share = (apps["gain_nm_per_kpa"] * apps["factor"]).sum(axis=1) / wheel_gain(unit.spec).sum()
    friction = np.maximum(force - endurance, 0.15 * force)
    pedal = 100.0 * friction / full_deceleration(apps, unit.spec) / share * rng.normal(1.0, 0.05, len(kind))
    apps["pedal_pct"] = np.clip(pedal, 3.0, 100.0)
    return np.clip(100.0 * want / 8.0, 3.0, 100.0)


def _endurance(apps: Applications, unit: Unit, kind: Codes, rng: Rng) -> Floats:
    """Retarder or recuperation takes its part of ordinary braking; returns its deceleration, m/s2 ``(E,)``."""
    gentle = np.isin(kind, (ORDINARY, LONG)) & (apps["surface_left"] != SNOW)
    low, high = {"none": (0.0, 0.0), "retarder": (4000.0, 14000.0), "regen": (1500.0, 3800.0)}[unit.endurance]
    used = gentle & (rng.random(len(kind)) < 0.7)
    apps["endurance_force_n"] = np.where(used, rng.uniform(low, high, len(kind)), 0.0)
    return np.asarray(apps["endurance_force_n"] / (apps["mass_kg"] + apps["trailer_mass_kg"]))
