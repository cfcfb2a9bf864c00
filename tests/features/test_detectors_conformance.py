"""Every detector on its own: constants and short inputs hold nothing; interpreted kernels stay in bounds."""

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import applications, lockup, modulation

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
        usable=known, held=none, criteria=DEFAULT,
    ).cycles.any()  # fmt: skip
    yield modulation.by_pressure(
        time_s=time_s, start=start, stop=stop, pressure_kpa=flat[None, :], greatest_kpa=np.full((1, 1), value),
        event_of=np.zeros(n, np.int64), speed_mps=flat, held=none, criteria=DEFAULT,
    ).cycles.any()  # fmt: skip


@pytest.mark.parametrize("value", [0.0, 20.0, 1000.0, np.nan])
@pytest.mark.parametrize("samples", [1, 2, 200])
def test_no_detector_finds_anything_in_a_constant(samples, value):
    assert not any(_detectors(samples, value))


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


_NUMBER = re.compile(r"(?<![\w.])-?\d+\.?\d*(?:e[-+]?\d+)?(?![\w.])")


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

    interpreted, compiled = run(NUMBA_DISABLE_JIT="1"), run(NUMBA_DISABLE_JIT="0")
    assert _NUMBER.sub("#", interpreted) == _NUMBER.sub("#", compiled)
    # a smoother adds up in another order when it is compiled: last digits differ, and a difference of equals more
    figures = [[float(x) for x in _NUMBER.findall(text)] for text in (interpreted, compiled)]
    np.testing.assert_allclose(figures[0], figures[1], rtol=1e-5, atol=1e-5)
