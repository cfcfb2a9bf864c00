"""Recordings made to order: ``EventBatch`` objects from a speed profile, wheels and channels.

Nothing in here is computed by the product.

``make_batch`` builds one event, ``concat`` lays several end to end; the profiles below give the usual shapes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import BRAKE_SOURCES, WHEELS
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]

#: 2026-01-05 08:00:00 UTC in microseconds since 1970.
START_US = 1_767_600_000_000_000

FOUR = ("1L", "1R", "2L", "2R")


def times(seconds: float, rate_hz: float) -> Floats:
    """Evenly spaced stamps from 0 to ``seconds`` (both included)."""
    return np.arange(round(seconds * rate_hz) + 1) / rate_hz


def braking(
    time_s: Floats, v0: float, decel: float, begin_s: float = 2.0, until_s: float = np.inf, rise_s: float = 0.0
) -> Floats:
    """Speed that is ``v0`` until ``begin_s`` and then falls by ``decel`` (m/s2), to rest or to ``until_s``.

    With ``rise_s`` the deceleration grows linearly from zero in that time.
    """
    t = np.clip(np.minimum(time_s, until_s) - begin_s, 0.0, None)
    lost = np.where(t < rise_s, 0.5 * decel * t * t / rise_s if rise_s > 0.0 else 0.0, decel * (t - 0.5 * rise_s))
    return np.asarray(np.maximum(v0 - lost, 0.0))


def pressed(time_s: Floats, begin_s: float = 2.0, end_s: float = np.inf, level: float = 40.0) -> Floats:
    """A demand of ``level`` in ``[begin_s, end_s)``, else 0."""
    return np.where((time_s >= begin_s - 1e-9) & (time_s < end_s - 1e-9), level, 0.0)


def rolling(speed: Floats, names: Sequence[str] = FOUR, slip: float | Floats = 0.0) -> dict[str, Floats]:
    """Wheels that turn with the vehicle, all with the same brake slip."""
    return {name: np.asarray(speed * (1.0 - slip)) for name in names}


def cycling_slip(
    time_s: Floats, hz: float, begin_s: float, end_s: float, mean: float = 0.15, swing: float = 0.12
) -> Floats:
    """Slip that swings ``mean`` +- ``swing`` at ``hz`` within ``[begin_s, end_s)``, else 0; begins in a valley."""
    inside = (time_s >= begin_s) & (time_s < end_s)
    wave = mean - swing * np.cos(2.0 * np.pi * hz * (time_s - begin_s))
    return np.where(inside, wave, 0.0)


def held(time_s: Floats, values: Floats, hz: float) -> Floats:
    """The values as a channel of ``hz`` shows them in a faster row grid: each sample stays until the next."""
    keep = np.floor(time_s * hz + 1e-9)
    first = np.searchsorted(keep, keep)
    return np.asarray(values[first])


def make_batch(
    time_s: Floats,
    speed: Floats | None,
    wheels: Mapping[str, Floats] | None = None,
    channels: Mapping[str, Floats] | None = None,
    *,
    event_id: str | None = "E1",
    vehicle_id: str = "V1",
    driver_id: str | None = None,
    start_us: int = START_US,
    pressures: Mapping[str, Floats] | None = None,
    saturated: Mapping[str, npt.NDArray[np.bool_]] | None = None,
    brake_source: str | None = None,
    unpaved: float | None = None,
    speed_source: str | None = "gnss",
    floor_mps: float = 0.0,
    continuous: bool = False,
) -> EventBatch:
    """One recording as a batch. ``brake_source`` holds for all of it; ``saturated`` marks samples of single wheels."""
    n = len(time_s)
    wheels, pressures = dict(wheels or {}), dict(pressures or {})
    names = tuple(w for w in WHEELS if w in wheels or w in pressures)
    nothing = np.full(n, np.nan)
    found = {name: np.asarray(values, dtype=float).copy() for name, values in (channels or {}).items()}
    if speed is not None:
        found["speed_mps"] = np.asarray(speed, dtype=float).copy()
    flags = None
    if saturated is not None:
        flags = np.array([saturated.get(w, np.zeros(n, bool)) for w in names]).reshape(len(names), n)
    return EventBatch(
        offsets=np.array([0, n], dtype=np.int64),
        time_s=np.asarray(time_s, dtype=float) - (time_s[0] if n else 0.0),
        start_us=np.array([start_us], dtype=np.int64),
        event_id=_object(None if continuous else event_id),
        vehicle_id=_object(vehicle_id),
        driver_id=_object(driver_id),
        row_start=np.array([0], dtype=np.int64),
        row_stop=np.array([n], dtype=np.int64),
        channels=found,
        wheels=names,
        wheel_speed_mps=_rows(wheels, names, nothing),
        wheel_pressure_kpa=_rows(pressures, names, nothing),
        path="made.parquet",
        wheel_saturated=flags,
        brake_source=None if brake_source is None else np.full(n, BRAKE_SOURCES.index(brake_source), np.int8),
        road_unpaved=None if unpaved is None else np.full(n, unpaved),
        continuous=continuous,
        speed_source=speed_source,
        wheel_floor_mps=floor_mps,
        notes=_object(""),
    )


def concat(batches: Sequence[EventBatch]) -> EventBatch:
    """Several batches as one, in the given order; what one lacks is NaN. Facts of the file are the first one's."""
    names = tuple(w for w in WHEELS if any(w in b.wheels for b in batches))
    channels = sorted({name for b in batches for name in b.channels})
    sizes = np.concatenate([np.diff(b.offsets) for b in batches])
    rows = np.cumsum([0, *(b.samples for b in batches)])

    def wheel_rows(pick: str, fill: Any) -> Any:
        parts = []
        for b in batches:
            block = np.full((len(names), b.samples), fill)
            values = getattr(b, pick)
            for k, name in enumerate(b.wheels):
                if values is not None:
                    block[names.index(name)] = values[k]
            parts.append(block)
        return np.concatenate(parts, axis=1)

    def optional(pick: str, fill: Any, dtype: Any) -> Any:
        values = [getattr(b, pick) for b in batches]
        if all(v is None for v in values):
            return None
        filled = [np.full(b.samples, fill, dtype) if v is None else v for b, v in zip(batches, values, strict=True)]
        return np.concatenate(filled)

    def joined(pick: str) -> Any:
        return np.concatenate([getattr(b, pick) for b in batches])

    return replace(
        batches[0],
        offsets=np.concatenate(([0], np.cumsum(sizes))).astype(np.int64),
        time_s=joined("time_s"),
        start_us=joined("start_us"),
        event_id=joined("event_id"),
        vehicle_id=joined("vehicle_id"),
        driver_id=joined("driver_id"),
        row_start=np.concatenate([b.row_start + at for b, at in zip(batches, rows[:-1], strict=True)]),
        row_stop=np.concatenate([b.row_stop + at for b, at in zip(batches, rows[:-1], strict=True)]),
        channels={name: np.concatenate([b.channel(name) for b in batches]) for name in channels},
        wheels=names,
        wheel_speed_mps=wheel_rows("wheel_speed_mps", np.nan),
        wheel_pressure_kpa=wheel_rows("wheel_pressure_kpa", np.nan),
        wheel_saturated=None
        if all(b.wheel_saturated is None for b in batches)
        else wheel_rows("wheel_saturated", False),
        brake_source=optional("brake_source", -1, np.int8),
        road_unpaved=optional("road_unpaved", np.nan, float),
        notes=joined("notes"),
    )


def empty_batch(wheels: Sequence[str] = FOUR, *, continuous: bool = False) -> EventBatch:
    """A batch without events."""
    one = make_batch(np.zeros(0), np.zeros(0), {w: np.zeros(0) for w in wheels}, continuous=continuous)
    none = np.zeros(0, dtype=np.int64)
    nobody = np.empty(0, dtype=object)
    return replace(
        one,
        offsets=np.zeros(1, dtype=np.int64),
        start_us=none,
        row_start=none,
        row_stop=none,
        event_id=nobody,
        vehicle_id=nobody,
        driver_id=nobody,
        notes=nobody,
    )


def _object(value: Any) -> npt.NDArray[np.object_]:
    out = np.empty(1, dtype=object)
    out[0] = value
    return out


def _rows(given: Mapping[str, Floats], names: Sequence[str], nothing: Floats) -> Floats:
    rows = [np.asarray(given.get(name, nothing), dtype=float) for name in names]
    return np.array(rows).reshape(len(names), nothing.size)
