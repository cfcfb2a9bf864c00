"""Begin and end of a lockup between the rows of a recording, as far as the readings tell."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]

#: A wheel under this share of the vehicle's speed is on its way to its lock, or back (own choice: beyond rolling).
ON_ITS_WAY = 0.9


@kernel
def value_at(time_s: Floats, values: Floats, t: float, near: int, first: int) -> float:
    """Value at ``t`` on the line between rows, looked for backwards from ``near`` and no further than ``first``."""
    k = near
    while k > first and time_s[k] > t:
        k -= 1
    if k >= near or time_s[k] >= t:
        return values[k]
    share = (t - time_s[k]) / (time_s[k + 1] - time_s[k])
    return values[k] + share * (values[k + 1] - values[k])


@kernel
def _crossing(
    time_s: Floats, wheel: Floats, speed: Floats, inner: int, outer: int, beyond: int, lock: float, period: float
) -> float:
    """When the wheel crossed ``lock`` times the vehicle's speed, between the locked row ``inner`` and ``outer``.

    ``beyond`` is the row past ``outer`` on its far side, or ``outer`` itself where there is none. A reading that is not
    zero lies on the line; one of zero only says that the wheel stopped in between: if it was already on its way in
    ``outer`` it went on as fast, else the middle of the interval is the best guess. A value held for ``period``
    (s) is as old as half of that on average.
    """
    t, far = time_s[inner], time_s[outer]
    step = abs(far - t)
    sign = 1.0 if far > t else -1.0
    if period > 1.5 * step:  # held: the change came within the last period before the later of the two rows
        return max(t, far) - 0.5 * period
    above = wheel[outer] - lock * speed[outer]
    under = lock * speed[inner] - wheel[inner]
    if not (above > 0.0 and under > 0.0):
        return t
    on_line = t + sign * step * under / (above + under)
    if wheel[inner] > 0.0:
        return on_line
    middle = t + sign * 0.5 * step
    if outer == beyond or not (wheel[outer] < ON_ITS_WAY * speed[outer]):
        return middle
    fall = (wheel[beyond] - wheel[outer]) / abs(time_s[beyond] - far)
    guess = far - sign * above / fall if fall > 0.0 else middle
    return min(max(guess, min(far, on_line)), max(far, on_line))


@kernel
def bounds(
    time_s: Floats,
    wheel: Floats,
    speed: Floats,
    first: int,
    begin: int,
    end: int,
    until: int,
    stop: int,
    rate_hz: float,
    gap_s: float,
    moving: float,
    lock: float,
) -> tuple[float, float]:
    """Begin and end of one locked run between rows; the row's own time where the next is missing or says nothing."""
    period = 1.0 / rate_hz if rate_hz > 0.0 else 0.0
    began, ended = time_s[begin], time_s[until]
    if begin > first and not np.isnan(wheel[begin - 1]) and time_s[begin] - time_s[begin - 1] <= gap_s + 1e-9:
        past = begin - 2 if begin - 2 >= first and not np.isnan(wheel[begin - 2]) else begin - 1
        if speed[begin - 1] > moving:
            began = max(_crossing(time_s, wheel, speed, begin, begin - 1, past, lock, period), time_s[first])
    if until == end and end < stop:
        if speed[end] <= moving < speed[end - 1]:
            share = (speed[end - 1] - moving) / (speed[end - 1] - speed[end])
            ended = time_s[end - 1] + share * (time_s[end] - time_s[end - 1])
        elif not np.isnan(wheel[end]) and wheel[end] > lock * speed[end]:
            past = end + 1 if end + 1 < stop and not np.isnan(wheel[end + 1]) else end
            ended = max(_crossing(time_s, wheel, speed, end - 1, end, past, lock, period), began)
    return began, ended
