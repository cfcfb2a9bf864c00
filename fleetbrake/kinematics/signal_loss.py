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
def lost_time(
    time_s: Floats,
    wheel: Floats,
    speed: Floats,
    braking: Bools,
    offsets: Ints,
    rate_hz: Floats,
    rolling_mps: float,
    frozen_s: float,
    fall_most: float,
) -> Floats:
    """Time ``(W, E)`` in which a wheel's signal was lost while the vehicle rolled faster than ``rolling_mps``, s.

    Lost is: missing; zero while not braking; zero after a fall no brake can cause (``fall_most``, m/s2, over no less
    than one period of the wheels' effective ``rate_hz`` ``(E,)``: a held value falls in one row); frozen on one value
    for ``frozen_s`` while the vehicle's speed changes by more than 5 %.
    """
    out = np.zeros((wheel.shape[0], offsets.size - 1))
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            fell = False
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
            held = -1
            counted = -1
            for i in range(offsets[e], offsets[e + 1] - 1):
                x = wheel[w, i]
                step = time_s[i + 1] - time_s[i]
                if i > offsets[e]:
                    drop = wheel[w, i - 1] - x
                    over = max(time_s[i] - time_s[i - 1], period)
                    fell = (fell and not (x > 0.0)) or (x == 0.0 and drop > fall_most * over)
                if held < 0 or x != wheel[w, held]:
                    held = i
                if not (speed[i] > rolling_mps):
                    continue
                if np.isnan(x) or (x == 0.0 and (fell or not braking[i])):
                    out[w, e] += step
                elif (
                    x > 0.0
                    and time_s[i] - time_s[held] >= frozen_s
                    and abs(speed[i] - speed[held]) > 0.05 * speed[held]
                ):
                    out[w, e] += time_s[i + 1] - time_s[max(held, counted)]
                    counted = i + 1
    return out
