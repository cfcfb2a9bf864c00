"""Energy that a brake application took out of the vehicle, and what else than the friction brakes took part of it."""

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def energy_taken_out(mass_kg: Floats, v_start_mps: Floats, v_end_mps: Floats, drop_m: Floats) -> Floats:
    """Kinetic energy lost plus potential energy given up, kJ ``(E,)``: ``m (v1^2 - v2^2) / 2 + m g drop``.

    ``drop_m`` is how much lower the vehicle ended (0 where the grade is unknown). NaN without a mass. Drag and
    rotating parts are not taken off: an upper figure for the friction brakes. Source: energy balance, standards sheet
    section 9 (verified).
    """
    return (0.5 * mass_kg * (v_start_mps**2 - v_end_mps**2) + mass_kg * G_MPS2 * drop_m) / 1000.0


def climb_rate(grade: Floats) -> Floats:
    """Sine of the slope angle from rise over run, elementwise."""
    return grade / np.sqrt(1.0 + grade * grade)


@kernel
def time_integral(time_s: Floats, values: Floats, start: Ints, stop: Ints, bridge_s: Floats) -> Floats:
    """Integral of ``values`` ``(N,)`` over the time of the samples ``[start, stop)`` ``(E,)``, by trapezoids.

    Between known samples no further apart than ``bridge_s`` ``(E,)`` the values run on a line; a wider hole, or one at
    an end (before the first or after the last known sample), makes the integral NaN where it is wider than ``bridge_s``
    and else holds the nearest value. NaN under two samples or where nothing is known.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        first, last = start[e], stop[e]
        if first < 0 or last - first < 2:
            continue
        total, seen, whole = 0.0, -1, True
        for i in range(first, last):
            if np.isnan(values[i]):
                continue
            since = time_s[i] - time_s[max(seen, first)]
            whole = whole and since <= bridge_s[e] + 1e-9
            before = values[i] if seen < 0 else values[seen]
            total += 0.5 * (before + values[i]) * since
            seen = i
        if seen < 0:
            continue
        left = time_s[last - 1] - time_s[seen]
        if whole and left <= bridge_s[e] + 1e-9:
            out[e] = total + values[seen] * left
    return out
