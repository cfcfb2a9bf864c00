"""``features()`` against the plain twin over whole recordings: every column of the two tables of the lake.

The recordings are those of ``data_samples`` and what becomes of them when channels are missing, slow, broken or more
than usual: each variant leads through other branches of the features.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.features.build import features
from fleetbrake.recordings.reader import open_recording
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from tests.naive.naive_ingest import NOT_COMPUTED, plain_features

SAMPLES = sorted((Path(__file__).parents[2] / "data_samples" / "recordings").glob("*.parquet"))
WHEELS = ("1l", "1r", "2l", "2r")

#: Of a value, or of 1 where it is smaller: normal equations against a QR solution (``numpy.linalg.lstsq``), running
#: sums against sums of windows, another order of the same 3 x 3 products. A sample more or less in any phase moves a
#: mean by 1e-3 and more, so that this tells a wrong rule from another rounding.
CLOSE = 1e-6


def held(values, rows):
    """The channel as a slow logger holds it: each reading stays for ``rows`` rows."""
    return values[(np.arange(len(values)) // rows) * rows]


def no_accelerometer(f, rng):
    return f.drop(columns="accel_long_mps2", errors="ignore")


def wheels_only(f, rng):
    return f.drop(columns=["accel_long_mps2", "speed_mps"], errors="ignore")


def wheels_and_accelerometer(f, rng):
    f["accel_long_mps2"] = f.get("accel_long_mps2", np.gradient(f["speed_mps"].to_numpy(), 0.02))
    return f.drop(columns="speed_mps")


def slow_channels(f, rng):
    for name, rows in (("speed_mps", 50), ("brake_pedal_pct", 10), ("brake_pressure_kpa", 10)):
        if name in f:
            f[name] = held(f[name].to_numpy(), rows)
    return f


def slow_wheels(f, rng):
    for wheel in WHEELS:
        f[f"wheel_speed_{wheel}_mps"] = held(f[f"wheel_speed_{wheel}_mps"].to_numpy(), 5)
    return f


def broken_wheels(f, rng):
    """Runs of zeros, of one value, of nothing and of absurd readings, anywhere."""
    for wheel in WHEELS:
        x = f[f"wheel_speed_{wheel}_mps"].to_numpy(copy=True)
        for value in (0.0, np.nan, 80.0, None):
            a = rng.integers(0, len(x) - 60)
            x[a : a + rng.integers(3, 60)] = x[a] if value is None else value
        f[f"wheel_speed_{wheel}_mps"] = x
    return f


def missing_rows(f, rng):
    keep = np.ones(len(f), bool)
    for a in rng.integers(100, len(f) - 100, 6):
        keep[a : a + rng.integers(2, 45)] = False
    return f[keep].reset_index(drop=True)


def stop_lamp_only(f, rng):
    channel = "brake_pedal_pct" if "brake_pedal_pct" in f else "brake_pressure_kpa"
    f["brake_switch"] = f[channel] > (2.0 if channel == "brake_pedal_pct" else 30.0)
    return f.drop(columns=["brake_pedal_pct", "brake_pressure_kpa"], errors="ignore")


def no_demand(f, rng):
    return f.drop(columns=["brake_pedal_pct", "brake_pressure_kpa", "brake_switch"], errors="ignore")


def wheel_pressures(f, rng):
    """Pressures at the wheels that a control takes down where the wheel slips."""
    asked = f.get("brake_pressure_kpa", 80.0 * f.get("brake_pedal_pct", 0.0)).to_numpy(float)
    for wheel in WHEELS:
        with np.errstate(all="ignore"):
            slip = 1.0 - f[f"wheel_speed_{wheel}_mps"].to_numpy() / f["speed_mps"].to_numpy()
        f[f"brake_pressure_{wheel}_kpa"] = asked * np.where(slip > 0.12, 0.4, 1.0)
    return f


def heavy_extras(f, rng):
    """Retarder, recuperation, accelerator, yaw rate, steering, grade, a map, a system that asks, warning lamps."""
    t = np.arange(len(f)) / 50.0
    f["endurance_torque_pct"] = np.where(np.sin(t / 7.0) > 0.6, 30.0, 0.0)
    f["regen_power_kw"] = np.where(np.sin(t / 5.0) > 0.8, 12.0, 0.0)
    f["accelerator_pct"] = np.where(np.sin(t / 3.0) > 0.9, 10.0, 0.0)
    f["yaw_rate_radps"] = 0.02 * np.sin(t / 11.0) + rng.normal(0.0, 0.002, len(f))
    f["steering_angle_rad"] = 0.01 * np.cos(t / 9.0)
    f["grade"] = 0.02 * np.sin(t / 20.0)
    f["gross_mass_kg"] = 12_000.0
    f["air_temp_c"] = 4.0
    f["abs_warning_lamp"] = np.sin(t / 4.0) > 0.99
    f["brake_source"] = rng.choice(["driver", "aeb", "esc", "hold"], f["event_id"].nunique())[
        pd.factorize(f["event_id"])[0]
    ]
    f["road_surface"] = "unpaved"
    return f


def front_wheels_only(f, rng):
    return f.drop(columns=[name for name in f if name.startswith(("wheel_speed_2", "wheel_speed_3"))])


def no_wheels(f, rng):
    return f.drop(columns=[name for name in f if name.startswith("wheel_speed")])


def late_speed(f, rng):
    """A receiver's speed: a quarter of a second old, five readings a second."""
    f["speed_mps"] = held(np.roll(f["speed_mps"].to_numpy(), 12), 10)
    return f


def creeping_and_backing(f, rng):
    """One event stands, one backs, one rolls on a roller tester."""
    word = pd.factorize(f["event_id"])[0]
    factor = np.select([word == 0, word == 1], [0.0, -0.2], 1.0)
    for name in [c for c in f if c == "speed_mps" or c.startswith("wheel_speed")]:
        f[name] = f[name] * factor
    tested = word == 2
    for name in [c for c in f if c == "speed_mps" or c.startswith("wheel_speed")]:
        f.loc[tested, name] = 0.8 * (f.loc[tested, name] > 0.0) if name.startswith("wheel_speed_1") else 0.0
    return f


def stamped(f, step_us):
    """The samples of each event at other times: steps in whole microseconds from its first one on."""
    first = f.groupby("event_id", sort=False)["timestamp"].transform("first")
    since = pd.Series(step_us, index=f.index).groupby(f["event_id"], sort=False).cumsum()
    since -= since.groupby(f["event_id"], sort=False).transform("first")
    f["timestamp"] = first + pd.to_timedelta(since, unit="us")
    return f


def hundred_rows_a_second(f, rng):
    return stamped(f, np.full(len(f), 10_000))


def uneven_rows(f, rng):
    return stamped(f, rng.integers(14_000, 26_000, len(f)))


def as_recorded(f, rng):
    return f


VARIANTS = (no_accelerometer, wheels_only, wheels_and_accelerometer, slow_channels, slow_wheels,
            broken_wheels, missing_rows, stop_lamp_only, no_demand, wheel_pressures, heavy_extras, front_wheels_only,
            no_wheels, late_speed, creeping_and_backing, hundred_rows_a_second, uneven_rows)  # fmt: skip


def same(found, expected):
    """Nothing but the rows and columns that differ: an empty list where all is alike."""
    wrong = []
    for name in found.columns:
        for row, (x, y) in enumerate(zip(found[name], expected[name], strict=True)):
            if pd.isna(x) and pd.isna(y):
                continue
            number = isinstance(x, float | int | np.number) and not isinstance(x, bool | np.bool_)
            alike = not (pd.isna(x) or pd.isna(y))
            alike = alike and (abs(x - y) <= CLOSE * max(1.0, abs(x)) if number else x == y)
            if not alike:
                wrong.append((name, row, x, y))
    return wrong


def test_the_twin_has_every_column_of_the_lake_but_those_it_names():
    events, wheels = plain_features(SAMPLES[0])
    assert set(events.columns) | set(NOT_COMPUTED) == set(LAKE_EVENTS)
    assert set(wheels.columns) | set(NOT_COMPUTED) >= set(LAKE_EVENT_WHEELS)


def check(variant, sample, folder, seed=0):
    frame = variant(pd.read_parquet(sample), np.random.default_rng(seed))
    said = pq.read_schema(sample).metadata
    path = folder / sample.name
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata(said), path)
    (batch,) = open_recording(path).batches()
    found = features(batch, DEFAULT)
    events, wheels = plain_features(path)
    assert same(found.events.to_pandas(), events) == []
    assert same(found.wheels.to_pandas(), wheels) == []


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.stem)
def test_features_equal_the_plain_twin(sample, tmp_path):
    check(as_recorded, sample, tmp_path)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda f: f.__name__)
def test_features_equal_the_plain_twin_where_channels_differ(variant, tmp_path):
    number = VARIANTS.index(variant) % len(SAMPLES)  # one of them each: the twin is slow
    check(variant, SAMPLES[number], tmp_path, number)


@pytest.mark.long
@pytest.mark.parametrize("variant", VARIANTS, ids=lambda f: f.__name__)
def test_features_equal_the_plain_twin_of_every_sample(variant, tmp_path):
    for number, sample in enumerate(SAMPLES):
        check(variant, sample, tmp_path, number)
