"""Every detector on its own: constants and short inputs hold nothing; interpreted kernels stay in bounds."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import applications, lockup, modulation, surface

ROOT = Path(__file__).resolve().parents[2]


def _detectors(n, value):
    """Every public detector on one event of ``n`` equal samples; yields what must hold no finding."""
    time_s, flat, none = np.arange(n) / 50.0, np.full(n, value), np.full(n, np.nan)
    offsets, start, stop = np.array([0, n]), np.array([0]), np.array([n])
    known = np.ones(n, bool)
    wanted = applications.demand(
        time_s=time_s, offsets=offsets, pedal_pct=None, pressure_kpa=None, switch=None, decel_mps2=flat * 0.0,
        asked_by_system=np.array([False]), cut=True, criteria=DEFAULT,
    )  # fmt: skip
    yield wanted.on.any()
    yield applications.cut_drives(
        time_s=time_s, offsets=offsets, wanted=wanted, speed_mps=flat, criteria=DEFAULT
    ).onset.size
    yield (
        applications.stretch(time_s=time_s, offsets=offsets, wanted=wanted, speed_mps=flat, criteria=DEFAULT)[0] >= 0
    ).any()
    yield (
        lockup.lockups(
            time_s=time_s, offsets=offsets, start=start, stop=stop, speed_mps=flat, supported=known,
            distance_m=flat * 0.0, wheel_mps=flat[None, :], ceiling=None, rate_hz=np.array([50.0]), floor_mps=0.0,
            criteria=DEFAULT,
        ).verdict == 1
    ).any()  # fmt: skip
    yield modulation.by_slip(
        time_s=time_s, start=start, stop=stop, slip=flat[None, :] * 0.01, speed_mps=flat, noise_mps=np.array([[0.0]]),
        event_of=np.zeros(n, np.int64), usable=known, held=none, criteria=DEFAULT,
    ).cycles.any()  # fmt: skip
    yield modulation.by_pressure(
        time_s=time_s, start=start, stop=stop, pressure_kpa=flat[None, :], greatest_kpa=np.full((1, 1), value),
        event_of=np.zeros(n, np.int64), speed_mps=flat, held=none, criteria=DEFAULT,
    ).cycles.any()  # fmt: skip


@pytest.mark.parametrize("value", [0.0, 20.0, 1000.0, np.nan])
@pytest.mark.parametrize("samples", [1, 2, 200])
def test_no_detector_finds_anything_in_a_constant(samples, value):
    assert not any(_detectors(samples, value))


def test_surface_is_a_word_only_where_friction_was_used_up():
    friction = np.array([0.2, 0.5, 0.9, 0.5, 0.9, 0.9, np.nan])
    used = np.array([1, 1, 1, 1, 0, -1, 1], np.int8)
    unpaved = np.array([np.nan, 0.0, np.nan, 1.0, np.nan, np.nan, np.nan])
    none = np.zeros(7, bool)
    found = surface.surface(friction=friction, used_up=used, split=none, unpaved=unpaved, criteria=DEFAULT)
    expected = [surface.SNOW_ICE, surface.WET, surface.DRY, surface.LOOSE] + [surface.UNKNOWN] * 3
    assert found.tolist() == expected
    split = surface.surface(friction=friction, used_up=used, split=~none, unpaved=unpaved, criteria=DEFAULT)
    assert split.tolist() == [surface.SPLIT] * 6 + [surface.UNKNOWN]


def test_one_bad_wheel_says_more_of_itself_than_of_the_road():
    sensed = np.ones((4, 5), bool)
    sensed[:, 4] = False
    struggling = np.array([[1, 1, 1, 0, 1], [0, 0, 1, 0, 1], [0, 1, 1, 0, 1], [0, 0, 1, 0, 1]], bool)
    assert surface.friction_used_up(struggling, sensed).tolist() == [0, 1, 1, 0, -1]
    left = np.array([True, False, True, False])
    assert surface.one_sided(struggling, sensed, left).tolist() == [False, True, False, False, False]


_INTERPRETED = """
import numpy as np
from dataclasses import replace
from fleetbrake.features.build import features
from tests.recordings_made import braking, concat, cycling_slip, make_batch, pressed, rolling, times, empty_batch
parts = []
for n, (rate, hz) in enumerate(((20.0, 3), (10.0, 2))):
    t = times(4.0, rate)
    v = braking(t, 12.0, 6.0, begin_s=1.0)
    w = rolling(v) | {"1L": v * (1 - cycling_slip(t, hz, 1.2, 2.8)), "2R": np.where(t > 1.4, 0.0, v)}
    parts.append(make_batch(t, v, w, {"brake_pedal_pct": pressed(t, 1.0)}, event_id=str(n)))
    one = {"brake_pedal_pct": pressed(t, 0.0)[:1]}
    parts.append(make_batch(t[:1], v[:1], rolling(v[:1]), one, event_id=f"one {n}"))
batch = concat(parts)
for one in (batch, replace(batch, continuous=True), empty_batch()):
    tables = features(one)
    print(tables.events.drop_columns(["source_path"]).to_pylist(), tables.wheels.to_pylist())
"""


def test_interpreted_kernels_stay_in_bounds_and_agree():
    """Compiled kernels wrap negative indices and read past the end in silence; interpreted ones raise or differ."""

    def run(**more):
        env = os.environ | more
        done = subprocess.run(
            [sys.executable, "-c", _INTERPRETED],
            cwd=ROOT,
            env=env,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout

    assert run(NUMBA_DISABLE_JIT="1") == run(NUMBA_DISABLE_JIT="0")
