"""The compiled kernels of the driver's manner against their slow twins, on seeded random batches."""

import numpy as np
import pytest

from fleetbrake.kinematics import manner
from tests.naive import naive_manner as naive
from tests.naive.random_cases import case


@pytest.mark.parametrize("seed", range(80))
def test_the_kernels_are_their_twins(seed):
    c = case(seed)
    window, gap = float(c.rng.choice([0.045, 0.333, 1.7])), c.rng.choice([0.0, 0.2, 50.0], c.events)
    jerk = (c.time_s, c.coarse(1)[0], c.start, c.stop, c.offsets, window, gap)
    share = (c.time_s, c.blend(c.wander()), c.start, c.stop, window)
    pairs = ((manner.peak_jerk, naive.peak_jerk, jerk), (manner.last_share, naive.last_share, share))
    for kernel, twin, given in pairs:
        before = [np.copy(x) for x in given]
        # the same sums in the same order, up to the compiler's choice of instructions
        np.testing.assert_allclose(kernel(*given), twin(*given), equal_nan=True, rtol=1e-12)
        assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(before, given, strict=True))
