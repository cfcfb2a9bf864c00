"""Brake slip of each wheel and its means over the quiet phases of an event."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def brake_slip(wheel_mps: Floats, speed_mps: Floats, least_speed_mps: float) -> Floats:
    """Brake slip ``(W, N)``: ``1 - wheel speed / vehicle speed``, 0 rolling, 1 locked; negative when driven.

    NaN where the vehicle is not faster than ``least_speed_mps``. Source: the usual definition, s = 1 - w R / v
    (verified, general-purpose library documentation).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        slip = 1.0 - wheel_mps / speed_mps
    return np.where(speed_mps > least_speed_mps, slip, np.nan)


@kernel
def phase_mean(values: Floats, use: Bools, time_s: Floats, offsets: Ints, least_s: float) -> Floats:
    """Time-weighted mean of each row over the marked samples ``(W, E)``; NaN under ``least_s`` of usable time."""
    rows = values.shape[0]
    events = offsets.size - 1
    out = np.full((rows, events), np.nan)
    for w in range(rows):
        for e in range(events):
            total = 0.0
            weight = 0.0
            for i in range(offsets[e], offsets[e + 1] - 1):
                x = values[w, i]
                if use[i] and not np.isnan(x):
                    step = time_s[i + 1] - time_s[i]
                    total += x * step
                    weight += step
            if weight >= least_s:
                out[w, e] = total / weight
    return out


@kernel
def peak(values: Floats, start: Ints, stop: Ints) -> Floats:
    """Greatest value of each row in ``[start, stop)`` ``(W, E)``, NaN where nothing was observed."""
    out = np.full((values.shape[0], start.size), np.nan)
    for w in range(values.shape[0]):
        for e in range(start.size):
            for i in range(start[e], stop[e]):
                x = values[w, i]
                if not np.isnan(x) and not (x <= out[w, e]):
                    out[w, e] = x
    return out
