"""Wheel-speed signals that say nothing: dead from the start, missing, zero or frozen while the vehicle rolls."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def dead(wheel: Floats, speed: Floats, braking: Bools, offsets: Ints, rolling_mps: float) -> Bools:
    """Wheels ``(W, E)`` whose signal says nothing: never recorded, or zero whenever the unbraked vehicle rolls.

    A raised lift axle and an unsensed wheel look so; a locked wheel does not, it turned before the demand. Without
    rolling before the demand a wheel counts as dead only if it never turns at all.
    """
    out = np.zeros((wheel.shape[0], offsets.size - 1), np.bool_)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            rolled, turned, ever = 0, 0, False
            for i in range(offsets[e], offsets[e + 1]):
                x = wheel[w, i]
                if np.isnan(x):
                    continue
                ever = ever or x > 0.0
                if not braking[i] and speed[i] > rolling_mps:
                    rolled += 1
                    if x > 0.1 * speed[i]:
                        turned += 1
            out[w, e] = not ever or (rolled >= 5 and turned == 0)
    return out


@kernel
def _mark_zeros(
    out: Bools,
    time_s: Floats,
    wheel: Floats,
    speed: Floats,
    braking: Bools,
    first: int,
    last: int,
    period: float,
    rolling_mps: float,
    fall_most: float,
    free: float,
    quick_s: float,
) -> None:
    """Mark runs of zeros that no brake causes: begun unbraked, by too steep a fall, or between freely rolling rows."""
    i = first
    while i < last:
        if wheel[i] != 0.0:
            i += 1
            continue
        begin = i
        while i < last and wheel[i] == 0.0:
            i += 1
        before = max(begin - 1, first)
        over = max(time_s[begin] - time_s[before], period)
        fell = before < begin and wheel[before] - wheel[begin] > fall_most * over
        # pressure takes longer than a quick row to build and to go: a wheel that rolls freely in the row before and
        # in the row after was never braked
        sudden = (
            before < begin
            and i < last
            and over <= quick_s
            and time_s[i] - time_s[i - 1] <= quick_s
            and wheel[before] > free * speed[before]
            and wheel[i] > free * speed[i]
        )
        if speed[begin] > rolling_mps and (not braking[begin] or fell or sudden):
            for j in range(begin, i):
                out[j] = True


@kernel
def lost(
    time_s: Floats,
    wheel: Floats,
    speed: Floats,
    braking: Bools,
    offsets: Ints,
    rate_hz: Floats,
    rolling_mps: float,
    frozen_s: float,
    fall_most: float,
    free: float,
    quick_s: float,
) -> Bools:
    """Samples ``(W, N)`` at which a wheel's signal is lost.

    What speaks for it is looked at while the vehicle rolls faster than ``rolling_mps``; a signal once lost stays lost
    until it comes back. Lost is: missing; a run of zeros that begins while not braking, by a fall steeper than
    ``fall_most`` (m/s2, over no less than one period of the wheels' effective ``rate_hz`` ``(E,)``: a held value falls
    in one row), or between two rows no more than ``quick_s`` away in which the wheel has more than the share ``free``
    of the vehicle's speed; above twice ``rolling_mps``, frozen on one value for ``frozen_s`` while the vehicle's speed
    changes by more than 5 % (above a tenth of it: a locked wheel may rest on a small value).
    """
    out = np.zeros(wheel.shape, np.bool_)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
            _mark_zeros(
                out[w], time_s, wheel[w], speed, braking, first, last, period, rolling_mps, fall_most, free, quick_s
            )
            held, marked = first, first
            for i in range(first, last):
                if wheel[w, i] != wheel[w, held]:
                    held, marked = i, i
                changed = abs(speed[i] - speed[held]) > 0.05 * speed[held]
                rolls = speed[i] > 2.0 * rolling_mps
                if rolls and wheel[w, i] > 0.1 * speed[i] and changed and time_s[i] - time_s[held] >= frozen_s:
                    for j in range(marked, i + 1):
                        out[w, j] = True
                    marked = i + 1
                if np.isnan(wheel[w, i]):
                    out[w, i] = True
    return out


@kernel
def marked_time(time_s: Floats, marks: Bools, offsets: Ints) -> Floats:
    """Time ``(W, E)`` from each marked sample to the next row, added up, s."""
    out = np.zeros((marks.shape[0], offsets.size - 1))
    for w in range(marks.shape[0]):
        for e in range(offsets.size - 1):
            for i in range(offsets[e], offsets[e + 1] - 1):
                if marks[w, i]:
                    out[w, e] += time_s[i + 1] - time_s[i]
    return out
