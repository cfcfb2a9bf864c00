"""The k-th smallest of a few hundred numbers, and their middle, without sorting them.

Times between rows repeat to the last bit, or differ by rounding only: a guess (what the channel beside it had) is
counted first. What a guess does not settle is sorted into buckets of the numbers' own bits, which are in the order of
the numbers once those of the negative ones are turned round, until one bucket holds one value.
"""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Buckets of one round, as a power of two; the bits of a number are used up after eight rounds at the most.
_BUCKET_BITS = 8

_ALL_BUT_SIGN = (1 << 63) - 1

#: So few numbers are put in order as they come.
_FEW = 24


@kernel
def _of_few(values: Floats, n: int, k: int) -> float:
    """The ``k``-th smallest of a handful: sorted as they come."""
    some = np.empty(n)
    for found in range(n):
        x, at = values[found], found
        while at > 0 and some[at - 1] > x:
            some[at] = some[at - 1]
            at -= 1
        some[at] = x
    return some[k]


@kernel
def _of_one_sign(bits: Ints, n: int, k: int) -> tuple[int, int]:
    """Keep the ones of ``bits[:n]`` with the sign of the ``k``-th smallest: how many, and its place among them."""
    below = 0
    for i in range(n):
        below += int(bits[i] < 0)
    negative, kept = k < below, 0
    for i in range(n):
        x = bits[i]
        bits[kept] = x
        kept += int((x < 0) == negative)
    return kept, (k if negative else k - below)


@kernel
def in_order(values: Floats, n: int) -> None:
    """Put ``values[:n]``, none NaN, in order where they stand: insertion over ever smaller strides."""
    stride = 1
    while stride < n // 3:
        stride = 3 * stride + 1
    while stride > 0:
        for found in range(stride, n):
            x, at = values[found], found
            while at >= stride and values[at - stride] > x:
                values[at] = values[at - stride]
                at -= stride
            values[at] = x
        stride //= 3


@kernel
def _by_bits(values: Floats, n: int, k: int) -> float:
    """The ``k``-th smallest by the buckets of the numbers' bits, of which the negative ones' are turned round."""
    own, bits = values[:n].view(np.int64), np.empty(n, np.int64)
    for i in range(n):
        bits[i] = own[i] ^ ((own[i] >> 63) & _ALL_BUT_SIGN)
    count = np.empty(1 << _BUCKET_BITS, np.int64)
    while True:
        low, high = bits[0], bits[0]
        for i in range(n):
            low, high = min(low, bits[i]), max(high, bits[i])
        if low == high:
            break
        if low < 0 <= high:  # their difference may be too great: only those of one sign go on
            n, k = _of_one_sign(bits, n, k)
            continue
        shift = 0
        while ((high - low) >> shift) >= (1 << _BUCKET_BITS):
            shift += 1
        count[:] = 0
        for i in range(n):
            count[(bits[i] - low) >> shift] += 1
        bucket = 0
        while k >= count[bucket]:
            k -= count[bucket]
            bucket += 1
        kept = 0
        for i in range(n):
            x = bits[i]
            bits[kept] = x  # without a branch: what is not kept is written over
            kept += int((x - low) >> shift == bucket)
        n = kept
    bits[0] ^= (bits[0] >> 63) & _ALL_BUT_SIGN
    return bits[:1].view(np.float64)[0]


@kernel
def smallest(values: Floats, n: int, k: int, guess: float) -> float:
    """The ``k``-th smallest (from 0) of ``values[:n]``, none NaN; ``guess`` (NaN: none) is tried first.

    The same number that sorting gives. ``values`` must be contiguous; it is left as it is.
    """
    less, equal = 0, 0
    for i in range(n):
        less += int(values[i] < guess)
        equal += int(values[i] == guess)
    if less <= k < less + equal:
        return guess
    return _of_few(values, n, k) if n <= _FEW else _by_bits(values, n, k)


@kernel
def middle(values: Floats, n: int, guess: float) -> float:
    """Median of ``values[:n]``, none NaN, ``n`` at least 1; ``guess`` as in :func:`smallest`."""
    upper = smallest(values, n, n // 2, guess)
    if n % 2 == 1:
        return upper
    under = 0
    for i in range(n):
        under += int(values[i] < upper)
    below = upper
    if under == n // 2:
        below = -np.inf
        for i in range(n):
            if values[i] < upper:
                below = max(below, values[i])
    return (upper + below) / 2.0
