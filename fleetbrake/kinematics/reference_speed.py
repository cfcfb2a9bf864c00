"""The vehicle's speed over ground, from an independent speed channel or from the wheels while they can be believed."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.smoothing import centred_mean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A hole in the speed channel longer than this is not bridged (edge definition of a gap), s.
LONGEST_BRIDGE_S = 0.5

#: Greatest deceleration a road vehicle on tyres is taken to reach, m/s2. Burckhardt's dry asphalt peaks at 1.17 g
#: (computed from constants verified (secondary)); the measured full stop in data_samples reaches 12 m/s2.
GREATEST_DECEL_MPS2 = 13.0

#: Wheels may stay this far below the envelope (share) before the envelope is no longer carried by a rolling wheel.
SUPPORT_SHARE = 0.97

#: Without a rolling wheel the envelope is believed for so long, s (own choice: 0.3 s at 13 m/s2 is 4 m/s).
UNSUPPORTED_S = 0.3

#: Noise above which a fast speed channel is smoothed, m/s (own choice: 0.01 m/s is 0.07 m/s2 in a 0.2 s mean).
SMOOTH_ABOVE_MPS = 0.01


@kernel
def unheld(time_s: Floats, values: Floats, rate_hz: Floats, offsets: Ints) -> Floats:
    """The channel as a line through its changes ``(N,)``, instead of the steps that a held value makes.

    Each step is spread over one of the channel's own periods, so that a value that truly stood still stays so.
    Holes (NaN) up to ``LONGEST_BRIDGE_S``, or 1.5 periods of a slower channel, are bridged; longer ones stay NaN.
    """
    out = values.copy()
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        if last - first < 2:
            continue
        steps = (last - first - 1) / (time_s[last - 1] - time_s[first])
        period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 1.0 / steps
        held = period * steps > 1.5
        longest = max(LONGEST_BRIDGE_S, 1.5 * period) if held else LONGEST_BRIDGE_S
        knot = -1
        for i in range(first, last):
            x = values[i]
            if np.isnan(x):
                continue
            if knot >= 0 and (x != values[knot] or not held):
                wait = time_s[i] - time_s[knot]
                reach = min(wait, period) if held else wait
                begin = time_s[i] - reach
                seen, ahead = knot, knot
                for j in range(knot + 1, i):
                    if np.isnan(values[j]):
                        while ahead <= j or np.isnan(values[ahead]):  # the far side of the hole, at the latest i
                            ahead += 1
                        if time_s[ahead] - time_s[seen] > longest + 1e-9:
                            continue
                    else:
                        seen = j
                    share = (time_s[j] - begin) / reach if reach > 0.0 else 1.0
                    out[j] = values[knot] + (x - values[knot]) * max(share, 0.0)
                knot = i
            elif knot < 0 or not held:
                knot = i
        # a hole at the very end, or inside a held value, stays as it was read
    return out


@kernel
def wheel_envelope(time_s: Floats, wheels: Floats, offsets: Ints) -> tuple[Floats, Bools]:
    """Speed from the wheels alone ``(N,)`` and whether a rolling wheel carries it ``(N,)``.

    The fastest wheel is the one that slips least under braking; between rolling moments the envelope falls no faster
    than ``GREATEST_DECEL_MPS2``. Where no wheel comes back within ``UNSUPPORTED_S`` nothing is known: unsupported.
    """
    speed = np.full(time_s.size, np.nan)
    supported = np.zeros(time_s.size, np.bool_)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        carried_at = -np.inf
        previous, previous_at = np.nan, 0.0
        for i in range(first, last):
            fastest = np.nan
            for w in range(wheels.shape[0]):
                x = wheels[w, i]
                if not np.isnan(x) and (np.isnan(fastest) or x > fastest):
                    fastest = x
            lowest = previous - GREATEST_DECEL_MPS2 * (time_s[i] - previous_at)
            if np.isnan(fastest):
                continue
            if np.isnan(lowest) or fastest >= lowest:
                previous = fastest
                carried_at = time_s[i]
            else:
                previous = lowest
                if fastest >= SUPPORT_SHARE * lowest:
                    carried_at = time_s[i]
            previous_at = time_s[i]
            speed[i] = previous
            supported[i] = time_s[i] - carried_at <= UNSUPPORTED_S
    return speed, supported


def _smooth(speed: Floats, noise: Floats, rate_hz: Floats, offsets: Ints) -> Floats:
    """Five-point on-centre moving average where a channel of 40 Hz or more is noisy.

    Rate and filter are those of the data rules of FMVSS 135 S7.4 (verified), there for torque wheels.
    """
    points = np.where((noise > SMOOTH_ABOVE_MPS) & (rate_hz >= 40.0), 5, 1)
    return centred_mean(speed[None, :], offsets, points)[0]  # type: ignore[no-any-return]


def reference_speed(
    time_s: Floats,
    speed_mps: Floats,
    speed_rate_hz: Floats,
    noise_mps: Floats,
    wheels_mps: Floats,
    offsets: Ints,
    *,
    independent: Bools,
) -> tuple[Floats, Bools, Bools, Bools]:
    """Reference speed of many events.

    Parameters
    ----------
    speed_mps : ``(N,)`` recorded vehicle speed, NaN where not recorded.
    speed_rate_hz, noise_mps : ``(E,)`` effective rate and sample noise of that channel.
    wheels_mps : ``(W, N)`` wheel speeds that may be believed (NaN for saturated samples and dead sensors).
    independent : ``(E,)``, False where the speed channel itself falls with slipping wheels, or is too slow beside
        them; it then only joins the wheels.

    Returns
    -------
    speed : ``(N,)`` m/s; supported : ``(N,)`` whether it rests on something that does not slip; from_channel : ``(E,)``
    whether the event rests on the speed channel rather than on the wheels; measured: ``(N,)`` whether the speed is a
    reading, and not the steepest fall that is taken to be possible.
    """
    events = offsets.size - 1
    smooth = _smooth(unheld(time_s, speed_mps, speed_rate_hz, offsets), noise_mps, speed_rate_hz, offsets)
    known = ~np.isnan(smooth)
    lengths = np.diff(offsets)
    share = np.add.reduceat(known, offsets[:-1]) / lengths if events else np.zeros(0)
    from_channel = independent & (share >= 0.5)
    joined = np.where(np.repeat(independent, lengths), np.nan, smooth)
    rows = np.vstack((wheels_mps, joined[None, :]))
    if rows.shape[0]:
        envelope, carried = wheel_envelope(time_s, np.ascontiguousarray(rows), offsets)
    else:
        envelope, carried = np.full(time_s.size, np.nan), np.zeros(time_s.size, np.bool_)
    on_channel = np.repeat(from_channel, lengths)
    read = (rows >= envelope).any(axis=0) if rows.shape[0] else carried
    return (
        np.where(on_channel, smooth, envelope),
        np.where(on_channel, known, carried),
        from_channel,
        np.where(on_channel, known, read),
    )
