"""What the smoother is given and what becomes of its answer, sample by sample in one pass each."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Standard error beyond which a speed supports no decision: m/s, or share of the speed (own choice: a wheel under 5 %
#: of the speed is told apart from a rolling one many times over).
SUPPORT_MPS, SUPPORT_SHARE = 0.4, 0.04

#: Beyond this standard error the speed is not told at all, m/s.
LOST_MPS = 3.0


@kernel
def given(
    offsets: Ints,
    on_channel: Bools,
    by_accel: Bools,
    speed: Floats,
    free: Bools,
    rolls: Floats,
    top: Floats,
    holds: Bools,
) -> tuple[Floats, Floats, Floats]:
    """Speed channel, freely rolling and braked wheels as they count ``(N,)``; ``on_channel``, ``by_accel`` ``(E,)``.

    Without an accelerometer only what carries the envelope (``holds``) can be told from a wheel that slips; beside an
    independent speed with an accelerometer a braked wheel has nothing to add.
    """
    out = np.empty((3, speed.size))
    for e in range(offsets.size - 1):
        a, b = offsets[e], offsets[e + 1]
        channel, rolling, braked = out[0, a:b], out[1, a:b], out[2, a:b]
        v, mark, roll, fast, hold = speed[a:b], free[a:b], rolls[a:b], top[a:b], holds[a:b]
        any_braked = by_accel[e] and not on_channel[e]
        for i in range(v.size):
            channel[i] = v[i] if on_channel[e] else np.nan
            rolling[i] = roll[i] if mark[i] else np.nan
            braked[i] = fast[i] if any_braked or (not by_accel[e] and hold[i]) else np.nan
    return out[0], out[1], out[2]


@kernel
def any_read(accel: Floats, speed: Floats, free: Floats, braked: Floats) -> Bools:
    """Samples ``(N,)`` at which anything was read."""
    out = np.empty(accel.size, np.bool_)
    for i in range(accel.size):
        out[i] = not (np.isnan(accel[i]) & np.isnan(speed[i]) & np.isnan(free[i]) & np.isnan(braked[i]))
    return out


@kernel
def _levels(speed: Floats, error: Floats, free: Bools, unbraked: float, braked: float, out: Floats) -> None:
    """Standard error of the level: that of the smoother, and the scale's (a share of the speed)."""
    for i in range(speed.size):
        scale = (unbraked if free[i] else braked) * (0.0 if speed[i] < 0.0 else speed[i])
        out[i] = np.sqrt(error[i] * error[i] + scale * scale)


@kernel
def _bands(level: Floats, accel: Floats, moment: float, out: Floats) -> None:
    """Standard error with what the doubt of the moment adds while the speed changes."""
    for i in range(level.size):
        late = moment * accel[i]
        out[i] = np.sqrt(level[i] * level[i] + late * late)


@kernel
def _rests(
    speed: Floats, level: Floats, blind: Bools, slides: Bools, nothing_else: bool, told: Floats, out: Bools
) -> None:
    """The speed where it is told at all, and whether it rests on something that does not slip."""
    for i in range(speed.size):
        told[i] = speed[i] if level[i] <= LOST_MPS else np.nan
        most = max(SUPPORT_MPS, SUPPORT_SHARE * speed[i]) if level[i] <= LOST_MPS else SUPPORT_MPS
        out[i] = (level[i] <= most) & (not blind[i]) & (not (nothing_else & slides[i]))


@kernel
def judged(
    offsets: Ints,
    speed: Floats,
    accel: Floats,
    tilt: Floats,
    error: Floats,
    share: Floats,
    hidden: Floats,
    moment: Floats,
    by_accel: Bools,
    on_channel: Bools,
    free: Bools,
    blind: Bools,
    slides: Bools,
) -> tuple[Floats, Floats, Floats, Floats, Bools]:
    """Speed, its standard error, that of its level, tilt, and whether it rests on something ``(N,)``.

    Per event ``(E,)``: ``share`` the standard error of the speed's scale, ``hidden`` what the slip of braked wheels
    adds (share of the speed), ``moment`` how sure the moment is that the readings speak of, s. A speed of a moment ago
    is a speed all the same: that doubt belongs to the band, not to the support.
    """
    out, supported = np.empty((4, speed.size)), np.empty(speed.size, np.bool_)
    for e in range(offsets.size - 1):
        a, b = offsets[e], offsets[e + 1]
        nothing_else = not by_accel[e] and not on_channel[e]
        _levels(speed[a:b], error[a:b], free[a:b], share[e], np.sqrt(share[e] ** 2 + hidden[e] ** 2), out[2, a:b])
        _bands(out[2, a:b], accel[a:b], moment[e], out[1, a:b])
        _rests(speed[a:b], out[2, a:b], blind[a:b], slides[a:b], nothing_else, out[0, a:b], supported[a:b])
        own, shown = tilt[a:b], out[3, a:b]
        for i in range(own.size):
            shown[i] = own[i] if by_accel[e] else np.nan
    return out[0], out[1], out[2], out[3], supported
