"""What a channel may hold that no vehicle shows: each a function of the number of rows and a seed."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pyarrow as pa
from faults.parquet_bases import START_US

Rng = np.random.Generator
Odd = Callable[[int, Rng], pa.Array]


def _same(value: float) -> Odd:
    return lambda rows, _: pa.array(np.full(rows, value))


def _mixed(*values: float) -> Odd:
    return lambda rows, rng: pa.array(rng.choice(np.array(values), rows))


def _in_turn(*values: float) -> Odd:
    return lambda rows, _: pa.array(np.resize(np.array(values), rows))


def _limits(kind: Any) -> Odd:
    limits = np.iinfo(kind)
    return lambda rows, rng: pa.array(rng.choice(np.array([limits.min, 0, limits.max], kind), rows))


def _singles(rows: int, rng: Rng) -> pa.Array:
    return pa.array(rng.choice(np.array([1e38, -1e38, 3.4e38], np.float32), rows))


def _holes(rows: int, rng: Rng) -> pa.Array:
    return pa.array(rng.normal(10.0, 5.0, rows), mask=rng.random(rows) < 0.5)


NUMBERS: Final[dict[str, Odd]] = {
    "all NaN": _same(np.nan),
    "all null": lambda rows, _: pa.nulls(rows, pa.float64()),
    "no type": lambda rows, _: pa.nulls(rows),
    "constant": _same(12.5),
    "zero": _same(0.0),
    "infinite": _same(np.inf),
    "minus infinite": _same(-np.inf),
    "NaN and infinite": _mixed(np.nan, np.inf, -np.inf),
    "NaN, infinite and sound": _mixed(np.nan, np.inf, -np.inf, 1.0, 10.0, 20.0),
    "negative": _same(-7.5),
    "huge": _mixed(1e308, -1e308, 1.7e308),
    "huge singles": _singles,
    "tiny": _mixed(5e-324, -5e-324, 1e-310, 0.0),
    "in turn": _in_turn(0.0, 30.0),
    "in turn far": _in_turn(-20.0, 100.0, np.nan),
    "limits of int8": _limits(np.int8),
    "limits of int64": _limits(np.int64),
    "limits of uint64": _limits(np.uint64),
    "noise": lambda rows, rng: pa.array(rng.normal(10.0, 8.0, rows)),
    "holes": _holes,
    "yes and no": lambda rows, rng: pa.array(rng.random(rows) < 0.5),
    "one spike": lambda rows, _: pa.array(np.where(np.arange(rows) == rows // 2, 90.0, 10.0)),
}


def _stamps(change: Callable[[np.ndarray, Rng], np.ndarray], unit: str = "us") -> Odd:
    def make(rows: int, rng: Rng) -> pa.Array:
        ticks = START_US + np.arange(rows, dtype=np.int64) * 20_000
        return pa.array(change(ticks, rng), pa.timestamp(unit, tz="UTC"))

    return make


def _gaps(ticks: np.ndarray, rng: Rng) -> np.ndarray:
    return ticks + np.cumsum(np.where(rng.random(len(ticks)) < 0.02, 3_600_000_000, 0))


YEAR_1, YEAR_9999 = -62_135_596_800_000_000, 253_402_300_799_000_000

TIMES: Final[dict[str, Odd]] = {
    "one moment": _stamps(lambda ticks, _: np.full_like(ticks, START_US)),
    "backwards": _stamps(lambda ticks, _: ticks[::-1]),
    "no time": lambda rows, _: pa.nulls(rows, pa.timestamp("us", tz="UTC")),
    "half of them none": lambda rows, rng: pa.array(
        START_US + np.arange(rows) * 20_000, pa.timestamp("us", tz="UTC"), mask=rng.random(rows) < 0.5
    ),
    "gaps": _stamps(_gaps),
    "the year 1": _stamps(lambda ticks, _: ticks - START_US + YEAR_1),
    "the year 9999": _stamps(lambda ticks, _: ticks - START_US + YEAR_9999 - 10**9),
    "limits of int64": _stamps(lambda ticks, rng: rng.choice(np.array([-(2**63) + 1, 2**63 - 1]), len(ticks))),
    "limits in milliseconds": _stamps(
        lambda ticks, rng: rng.choice(np.array([-(2**63) + 1, 2**63 - 1]), len(ticks)), "ms"
    ),
    "in turn": _stamps(lambda ticks, _: np.resize(np.array([START_US, START_US + 10**9]), len(ticks))),
    "every hour": _stamps(lambda ticks, _: START_US + (ticks - START_US) // 20_000 * 3_600_000_000),
    "a microsecond each": _stamps(lambda ticks, _: START_US + (ticks - START_US) // 20_000),
    "any": _stamps(lambda ticks, rng: rng.integers(-(2**62), 2**62, len(ticks))),
}

WORDS: Final[dict[str, Odd]] = {
    "all null": lambda rows, _: pa.nulls(rows, pa.string()),
    "no type": lambda rows, _: pa.nulls(rows),
    "empty": lambda rows, _: pa.array([""] * rows),
    "blank": lambda rows, _: pa.array(["  \t"] * rows),
    "one": lambda rows, _: pa.array(["driver"] * rows),
    "every row another": lambda rows, _: pa.array([f"w{row}" for row in range(rows)]),
    "in turn": lambda rows, _: pa.array([("a", "b", None)[row % 3] for row in range(rows)], pa.string()),
    "long": lambda rows, _: pa.array(["x" * 10_000] * rows),
    "control characters": lambda rows, _: pa.array(["\x00\x1b[31m\u202e\n"] * rows),
    "numbers": lambda rows, _: pa.array(np.full(rows, 2**63 - 1)),
    "known words": lambda rows, rng: pa.array(rng.choice(["driver", "aeb", "paved", "UNPAVED ", "?"], rows)),
}


def odd_of(kind: str) -> dict[str, Odd]:
    """What a column of this kind of the contract may hold."""
    return {"text": WORDS, "time": TIMES}.get(kind, NUMBERS)
