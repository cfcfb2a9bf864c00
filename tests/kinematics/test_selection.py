"""The k-th smallest and the middle against sorting: the same number to the last bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.kinematics.selection import in_order, middle, smallest

finite = st.floats(allow_nan=False, allow_infinity=False, width=64)


def numbers(kind, n, rng):
    """Numbers as kernels meet them: steps of a row grid, quantised changes, noise over many sizes, signed ones."""
    return {
        "steps": np.diff(rng.integers(0, 1000) + np.arange(n + 1)) / 50.0 + np.spacing(rng.integers(0, 3, n) * 4.0),
        "ties": rng.integers(0, 4, n) / 8.0,
        "sizes": np.abs(rng.normal(size=n)) * 10.0 ** rng.integers(-300, 300, n),
        "signed": rng.normal(size=n),
        "one": np.full(n, 0.02),
    }[kind]


@pytest.mark.parametrize("kind", ["steps", "ties", "sizes", "signed", "one"])
@pytest.mark.parametrize("n", [1, 2, 3, 23, 24, 25, 26, 300, 1001])
def test_every_place_is_what_sorting_gives(kind, n):
    rng = np.random.default_rng(n)
    for _ in range(10):
        values = numbers(kind, n, rng)
        kept, ordered = values.copy(), np.sort(values)
        for guess in (np.nan, values[0], ordered[n // 2], -1.0, 1e300):
            k = int(rng.integers(0, n))
            assert smallest(values, n, k, guess) == ordered[k]
            assert middle(values, n, guess) == np.median(values)
        np.testing.assert_array_equal(values, kept)  # left as it is


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(values=st.lists(finite.map(lambda x: x / 2.0), min_size=1, max_size=80), data=st.data())
def test_any_numbers_at_all(values, data):
    """Halved, so that the sum of the two in the middle stays finite."""
    values = np.array(values)
    k = data.draw(st.integers(0, values.size - 1))
    guess = data.draw(st.sampled_from([np.nan, *values.tolist()]))
    assert smallest(values, values.size, k, guess) == np.sort(values)[k]
    assert middle(values, values.size, guess) == np.median(values)


def test_only_the_first_numbers_count():
    values = np.array([3.0, 1.0, 2.0, -5.0, np.nan])
    assert smallest(values, 3, 0, np.nan) == 1.0
    assert middle(values, 3, np.nan) == 2.0
    assert middle(values, 2, np.nan) == 2.0


@pytest.mark.parametrize("kind", ["steps", "ties", "sizes", "signed", "one"])
@pytest.mark.parametrize("n", [0, 1, 2, 3, 5, 14, 41, 1001])
def test_in_order_where_they_stand_and_no_further(kind, n):
    values = numbers(kind, n, np.random.default_rng(n))
    room = np.append(values, [-1.0, -2.0])
    in_order(room, n)
    np.testing.assert_array_equal(room, np.append(np.sort(values), [-1.0, -2.0]))
