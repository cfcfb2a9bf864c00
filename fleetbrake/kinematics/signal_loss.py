"""Wheel-speed signals that say nothing: dead from the start, missing, zero or frozen while the vehicle rolls."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.believable import believable
from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.signal_time import marked_time, missing_time, time_within

__all__ = [
    "believable",
    "caught",
    "dead",
    "heard",
    "lost",
    "marked_time",
    "missing_time",
    "rolling_loss",
    "time_within",
    "turns",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def dead(wheel: Floats, speed: Floats, braking: Bools, offsets: Ints, rolling_mps: float, turns: Floats) -> Bools:
    """Wheels ``(W, E)`` whose signal says nothing: never recorded, or not turning whenever the unbraked vehicle rolls.

    Turning is a reading above the share ``turns`` ``(E,)`` of the vehicle's speed. A raised lift axle and an unsensed
    wheel look so; a locked wheel does not, it turned before the demand. Without five samples of rolling outside the
    braking a wheel counts as dead only if it never turns at all.
    """
    out = np.zeros((wheel.shape[0], offsets.size - 1), np.bool_)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            x, v, braked = wheel[w, first:last], speed[first:last], braking[first:last]
            rolled, turned, ever = 0, 0, 0
            for i in range(x.size):
                rolls = (v[i] > rolling_mps) & (not braked[i])
                ever += int(x[i] > 0.0)
                rolled += int(rolls & (x[i] == x[i]))
                turned += int(rolls & (x[i] > turns[e] * v[i]))
            out[w, e] = ever == 0 or (rolled >= 5 and turned == 0)
    return out


#: Around the moment of a fall the other wheels and the deceleration are looked at for so long, s (own choice: a
#: control cycle of 2 per second, the slowest published).
_AROUND_S = 0.5

#: What ice gives back to a locked wheel, m/s2 (Wong table: 0.1, from memory), as share of a brake that takes one and a
#: half times its part; and the least that is allowed for after it (own choice).
_ICE_MPS2, _LEAST_NET_MPS2 = 0.65, 0.5

#: Share of the most that was asked before above which a demand counts as still held (own choice).
_STILL_ASKED = 0.9


@kernel
def _fall_limit(
    time_s: Floats,
    wheels: Floats,
    w: int,
    speed: Floats,
    decel: Floats,
    begin: int,
    first: int,
    last: int,
    fall_most: float,
    fall_per_decel: float,
    quiet_slip: float,
) -> float:
    """Steepest fall of wheel ``w`` that a brake can cause at ``begin``, m/s2.

    While the other wheels roll quietly (slip under ``quiet_slip`` for half a second on both sides) the same demand
    makes them brake no harder than the vehicle slows, and this wheel not much harder: ``fall_per_decel`` times the
    vehicle's deceleration, less what even ice gives back.
    """
    a, b = begin, begin
    while a > first and time_s[begin] - time_s[a - 1] <= _AROUND_S:
        a -= 1
    while b + 1 < last and time_s[b + 1] - time_s[begin] <= _AROUND_S:
        b += 1
    seen, most = 0, 0.0
    for i in range(a, b + 1):
        if decel[i] > most:
            most = decel[i]
        for o in range(wheels.shape[0]):
            if o != w and not np.isnan(wheels[o, i]):
                seen += 1
                if wheels[o, i] < (1.0 - quiet_slip) * speed[i]:
                    return fall_most
    return min(fall_most, fall_per_decel * max(most - _ICE_MPS2, _LEAST_NET_MPS2)) if seen > 0 else fall_most


@kernel
def _sudden(
    time_s: Floats,
    wheel: Floats,
    speed: Floats,
    level: Floats,
    before: int,
    end: int,
    last: int,
    over: float,
    free: float,
    sound: float,
    quick_s: float,
) -> bool:
    """Whether a run of zeros lies between two rows of a rolling wheel and no brake made it.

    Pressure takes longer than ``quick_s`` to build and to go, so a wheel that rolls freely (``free`` of the vehicle's
    speed) in the row before and in the row after was never braked; and under a demand that was held all the time a
    locked wheel does not go back to sound rolling (``sound`` of it) from one row to the next.
    """
    if end >= last or not (speed[before] > 0.0 and speed[end] > 0.0):
        return False
    then, now = wheel[before] / speed[before], wheel[end] / speed[end]
    if over <= quick_s and time_s[end] - time_s[end - 1] <= quick_s and then > free and now > free:
        return True
    if not (then > sound and now > sound):
        return False
    asked = level[before]
    for i in range(before + 1, end + 1):
        if not (level[i] >= _STILL_ASKED * asked):
            return False
        if level[i] > asked:
            asked = level[i]
    return asked > 0.0


@kernel
def _mark_zeros(
    out: Bools,
    time_s: Floats,
    wheels: Floats,
    w: int,
    speed: Floats,
    decel: Floats,
    level: Floats,
    braking: Bools,
    suspect: bool,
    first: int,
    last: int,
    period: float,
    rolling_mps: float,
    fall_most: float,
    fall_per_decel: float,
    quiet_slip: float,
    free: float,
    sound: float,
    quick_s: float,
) -> None:
    """Mark runs of zeros that no brake causes: begun or gone on unbraked, by too steep a fall, or between free rows."""
    wheel = wheels[w]
    zeros = 0
    for x in wheel[first:last]:
        zeros += int(x == 0.0)
    i = first if zeros > 0 else last
    while i < last:
        if wheel[i] != 0.0:
            i += 1
            continue
        begin = i
        outlasts = False
        while i < last and (wheel[i] == 0.0 or np.isnan(wheel[i])):  # rows that are missing in between change nothing
            outlasts = outlasts or (wheel[i] == 0.0 and speed[i] > rolling_mps and not braking[i])
            i += 1
        if not (speed[begin] > rolling_mps):
            continue
        odd = outlasts
        before = begin - 1
        while before > first and np.isnan(wheel[before]):
            before -= 1
        if before >= first and not np.isnan(wheel[before]) and not odd:
            over = max(time_s[begin] - time_s[before], period)
            limit = _fall_limit(
                time_s, wheels, w, speed, decel, begin, first, last, fall_most, fall_per_decel, quiet_slip
            )
            odd = wheel[before] > limit * over or _sudden(
                time_s, wheel, speed, level, before, i, last, over, free, sound, quick_s
            )
            odd = odd or (suspect and wheel[before] > sound * speed[before])
        if odd:
            out[begin:i] = True


@kernel
def _mark_frozen(
    out: Bools, time_s: Floats, wheel: Floats, speed: Floats, first: int, last: int, rolling_mps: float, frozen_s: float
) -> None:
    """Mark runs of one value that the vehicle's speed does not share, and what is missing."""
    to, x, v, t = out[first:last], wheel[first:last], speed[first:last], time_s[first:last]
    held, marked, then, since = np.nan, 0, np.nan, np.nan
    for i in range(x.size):
        if x[i] != held:
            held, marked, then, since = x[i], i, v[i], t[i]
        rests = t[i] - since >= frozen_s and v[i] > 2.0 * rolling_mps and x[i] > 0.1 * v[i]
        if rests and abs(v[i] - then) > 0.05 * then:
            for j in range(marked, i + 1):
                to[j] = True
            marked = i + 1
        if np.isnan(x[i]):
            to[i] = True


@kernel
def lost(
    time_s: Floats,
    wheels: Floats,
    speed: Floats,
    decel: Floats,
    level: Floats,
    braking: Bools,
    suspect: Bools,
    offsets: Ints,
    rate_hz: Floats,
    rolling_mps: float,
    frozen_s: float,
    fall_most: float,
    fall_per_decel: float,
    quiet_slip: float,
    free: float,
    sound: float,
    quick_s: float,
) -> Bools:
    """Samples ``(W, N)`` at which a wheel's signal is lost.

    ``decel`` ``(N,)`` and ``level`` ``(N,)`` of the demand (any unit, NaN: not known); ``braking`` ``(N,)`` where a
    brake may still hold a wheel; ``suspect`` ``(W, E)`` sensors that were caught otherwise. What speaks for a loss is
    looked at while the vehicle rolls faster than ``rolling_mps``; a signal once lost stays lost until it comes back.
    Lost is:

    - missing;
    - a run of zeros (missing rows in and before it are passed over) that begins or goes on while not braking; one
      begun by a fall steeper than ``fall_most`` (m/s2, over no less than one period of the wheels' effective
      ``rate_hz`` ``(E,)``: a held value falls in one row), or than ``fall_per_decel`` times the deceleration (less
      0.65 m/s2, no less than 0.5) while all other wheels keep their slip under ``quiet_slip``;
    - one between two rows no more than ``quick_s`` away in which the wheel has more than the share ``free`` of the
      vehicle's speed, or between two rows in which it has more than the share ``sound`` if the demand never fell
      under 0.9 of what it was from the one to the other; of a suspect sensor one after a row with more than ``sound``;
    - above twice ``rolling_mps``, frozen on one value for ``frozen_s`` while the vehicle's speed changes by more than
      5 % (above a tenth of it: a locked wheel may rest on a small value).
    """
    out = np.zeros(wheels.shape, np.bool_)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
            _mark_zeros(
                out[w],
                time_s,
                wheels,
                w,
                speed,
                decel,
                level,
                braking,
                suspect[w, e],
                first,
                last,
                period,
                rolling_mps,
                fall_most,
                fall_per_decel,
                quiet_slip,
                free,
                sound,
                quick_s,
            )
            _mark_frozen(out[w], time_s, wheels[w], speed, first, last, rolling_mps, frozen_s)
    return out


@kernel
def heard(values: Floats, lost: Bools, silent: Bools, offsets: Ints) -> Floats:
    """The values ``(W, N)`` without those ``lost`` ``(W, N)``, nor those of wheels that are ``silent`` ``(W, E)``.

    The array itself where nothing has to be taken out: it must not be written to.
    """
    out, same = values, True
    for w in range(values.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            x, gone = values[w, first:last], lost[w, first:last]
            taken = 0
            for i in range(x.size):
                taken += int((gone[i] | silent[w, e]) & (x[i] == x[i]))
            if taken == 0:
                continue
            if same:
                out, same = values.copy(), False
            for i in range(x.size):
                if gone[i] or silent[w, e]:
                    out[w, first + i] = np.nan
    return out


@kernel
def caught(
    time_s: Floats,
    lost: Bools,
    wild: Bools,
    sane: Floats,
    speed: Floats,
    offsets: Ints,
    rolling_mps: float,
    least_s: float,
) -> Bools:
    """Sensors ``(W, E)`` whose fault would look like a locked wheel, from the samples ``lost`` but not ``wild``.

    They read (``sane``, NaN for nothing) zero or stood still while the vehicle went faster than ``rolling_mps``, or
    nothing for ``least_s`` in one piece.
    """
    out = np.zeros((lost.shape[0], offsets.size - 1), np.bool_)
    for w in range(lost.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            gone, absurd, v, t = lost[w, first:last], wild[w, first:last], speed[first:last], time_s[first:last]
            since = np.nan
            for i in range(t.size):
                if not (gone[i] and not absurd[i] and v[i] > rolling_mps):
                    since = np.nan
                    continue
                if np.isnan(since):
                    since = t[i]
                if not np.isnan(sane[w, first + i]) or t[i] - since >= least_s - 1e-9:
                    out[w, e] = True
                    break
    return out


@kernel
def turns(wheels: Floats, speed: Floats, offsets: Ints, rolling_mps: float, share: float) -> Bools:
    """Wheels ``(W, E)`` that ever show more than ``share`` of a vehicle's speed above ``rolling_mps``."""
    out = np.zeros((wheels.shape[0], offsets.size - 1), np.bool_)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            x, v = wheels[w, offsets[e] : offsets[e + 1]], speed[offsets[e] : offsets[e + 1]]
            turned = 0
            for i in range(x.size):
                turned += int((v[i] > rolling_mps) & (x[i] > share * v[i]))
            out[w, e] = turned > 0
    return out


@kernel
def rolling_loss(
    time_s: Floats,
    wheels: Floats,
    partner: Ints,
    speed: Floats,
    use: Bools,
    offsets: Ints,
    rolling_mps: float,
    frozen_s: float,
) -> Bools:
    """Samples ``(W, N)`` at which the signal of a freely rolling wheel is gone, among those marked ``use`` ``(N,)``.

    Above ``rolling_mps``: missing while another wheel is read; zero while the other wheel of its axle turns (both at
    once are a raised axle), ``partner`` ``(W,)`` being that wheel's row or -1; above twice that speed frozen on one
    value for ``frozen_s`` while the vehicle's speed changes by more than 5 %.
    """
    out = np.zeros(wheels.shape, np.bool_)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            _mark_frozen(out[w], time_s, wheels[w], speed, first, last, rolling_mps, frozen_s)
            to, x, v, counts = out[w, first:last], wheels[w, first:last], speed[first:last], use[first:last]
            for i in range(x.size):
                if not (counts[i] and v[i] > rolling_mps):
                    to[i] = False
                elif np.isnan(x[i]):
                    to[i] = False
                    for o in range(wheels.shape[0]):
                        to[i] = to[i] or not np.isnan(wheels[o, first + i])
                elif x[i] == 0.0 and partner[w] >= 0:
                    to[i] = wheels[partner[w], first + i] > 0.0
    return out
