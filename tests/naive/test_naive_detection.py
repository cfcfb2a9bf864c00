"""Every compiled kernel of ``fleetbrake.detection`` against its slow twin, on seeded and on searched random batches."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.detection import allowances, applications, lockup
from tests.naive import naive_detection as naive
from tests.naive.naive_kinematics import travelled
from tests.naive.random_cases import case

SEEDS = range(60)


def same(found, expected):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    # sums in another order differ by rounding only
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, rtol=1e-9, atol=1e-9)


def _states(c):
    speed = c.blend(c.wander())
    wheel = c.wheels(speed)
    ceiling = c.rng.random(wheel.shape) < 0.1
    floor = c.rng.choice([0.0, 0.4], (len(wheel), c.events))
    args = (wheel, ceiling, speed, c.marks(0.95), c.offsets, 1.5, 0.05, 0.10, floor)
    return args


def check_lock_state(c):
    args = _states(c)
    same(lockup.lock_state(*args), naive.lock_state(*args))


def check_lockups(c):
    wheel, ceiling, speed, supported, *rest = _states(c)
    state = naive.lock_state(wheel, ceiling, speed, supported, *rest)
    if c.rng.random() < 0.5 and c.samples:  # longer pieces than chance makes
        state = np.repeat(state[:, ::6], 6, axis=1)[:, : c.samples].copy()
    hz = c.rng.choice([np.nan, 5.0, 10.0, 50.0], c.events)
    distance = travelled(c.time_s, np.nan_to_num(speed), c.offsets[:-1], c.offsets[1:])
    args = (
        c.time_s,
        speed,
        distance,
        state,
        wheel,
        c.offsets,
        c.start,
        c.stop,
        hz,
        0.1,
        0.05,
        0.5,
        8.0,
        500.0,
        1.5,
        0.05,
    )
    verdict, facts, spans = lockup._lockups(*args)
    assert len({(w, e) for w, e, *_ in spans}) == (verdict == 1).sum()
    expected, expected_facts = naive.lockups(*args)
    same(verdict, expected)
    same(facts, expected_facts)


def check_longest_above(c):
    speed = c.blend(c.wander())
    spans, starts = [], []
    for e in range(c.events):
        times = c.time_s[c.offsets[e] : c.offsets[e + 1]]
        for _ in range(c.rng.integers(0, 4)):
            begin, end = np.sort(c.rng.uniform(times[0], times[-1], 2))
            if c.rng.random() < 0.5:  # on samples
                begin, end = np.sort(c.rng.choice(times, 2))
            spans.append((int(c.rng.integers(0, 2)), e, begin, end))
            starts.append(c.offsets[e] + np.searchsorted(times, begin))
    wheel, event = (np.array([s[k] for s in spans], np.int64) for k in range(2))
    begin_s, end_s = (np.array([s[k] for s in spans], float) for k in (2, 3))
    first = np.array(starts, np.int64)
    found = allowances._longest_above(c.time_s, speed, wheel, event, first, begin_s, end_s, 2, c.events, 8.0)
    same(found, naive.longest_above(c.time_s, speed, c.offsets, spans, (2, c.events), 8.0))


def check_stretch(c):
    speed = c.blend(np.maximum(c.wander() - 5.0, 0.0))
    on = np.repeat(c.marks(0.5)[::4], 4)[: c.samples] if c.samples else c.marks()
    same(applications._stretch(c.time_s, on, speed, c.offsets, 0.3), naive.stretch(on, speed, c.offsets, 0.3))


def check_runs(c):
    speed = c.blend(np.maximum(c.wander() - 5.0, 0.0))
    on = c.marks(0.4)
    merge = float(c.rng.choice([0.015, 0.1, 1.0]))
    args = (c.time_s, on, speed, c.offsets, 0.3, merge, c.rng.choice([0.025, 0.2, 5.0], c.events))
    found = applications._runs(*args)
    expected = np.array(naive.runs(*args), dtype=np.int64).reshape(-1, 3).T
    assert len(found[0]) == expected.shape[1]
    same(found, expected)


def check_decel_on(c):
    decel = c.blend(np.repeat(c.rng.choice([0.0, 0.4, 0.7, 1.5, 3.0], c.samples)[::3], 3)[: c.samples])
    args = (c.time_s, decel, c.offsets, 1.0, 0.5, float(c.rng.choice([0.025, 0.045, 0.27])))
    same(applications._decel_on(*args), naive.decel_on(*args))


CHECKS = [value for name, value in sorted(globals().items()) if name.startswith("check_")]


@pytest.mark.parametrize("check", CHECKS, ids=lambda f: f.__name__[6:])
def test_kernel_equals_its_twin_on_seeded_batches(check):
    for seed in SEEDS:
        check(case(seed))


@pytest.mark.parametrize("check", CHECKS, ids=lambda f: f.__name__[6:])
def test_kernel_equals_its_twin_on_searched_batches(check):
    @settings(max_examples=40, deadline=None, derandomize=True, database=None)
    @given(seed=st.integers(0, 2**32 - 1), longest=st.integers(4, 50))
    def search(seed, longest):
        check(case(seed, longest=longest))

    search()


def test_drives_of_one_sample_each_all_fit():
    """One run a sample: the room for results must not depend on runs being longer."""
    n = 9
    time_s, on, speed = np.zeros(n), np.ones(n, bool), np.full(n, 10.0)
    parents, starts, stops = applications._runs(time_s, on, speed, np.arange(n + 1), 0.3, 1.0, np.ones(n))
    assert parents.tolist() == list(range(n))
    assert starts.tolist() == list(range(n))
    assert stops.tolist() == list(range(1, n + 1))
