"""What is said of an event's modulation in words: which wheels took part, and whether the vehicle's flag agrees."""

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import FLAG_AND_WHEELS
from fleetbrake.detection import modulation
from fleetbrake.features.phases import Phases
from fleetbrake.features.recorded import greatest
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.kinematics import slip
from fleetbrake.recordings.batch import EventBatch

Codes = npt.NDArray[np.int8]
Bools = npt.NDArray[np.bool_]

BOTH, FLAG_ONLY, WHEELS_ONLY, NEITHER = (FLAG_AND_WHEELS.index(word) for word in FLAG_AND_WHEELS)

_FLAG_ONLY = "the vehicle's anti-lock flag was raised, its wheels show no modulation"
_RETARDED = _FLAG_ONLY + ": retarder, engine brake or recuperation was at work"
_WHEELS_ONLY = "its wheels show modulation, the vehicle's anti-lock flag was not raised"
_UNASKED = "no cycles are counted: the friction brakes were off, or on at single wheels without the pedal"


def event_verdict(wheel: Codes, looked_at: Bools) -> Codes:
    """Word on the event ``(E,)`` from its wheels ``(W, E)``: 1 if any did, 0 if none of those looked at, else -1."""
    open_question = ((wheel < 0) & looked_at).any(axis=0) | ~looked_at.any(axis=0)
    return np.where((wheel == 1).any(axis=0), 1, np.where(open_question, -1, 0)).astype(np.int8)


def looked_at(wheels: WheelFacts) -> Bools:
    """Wheels ``(W, E)`` that something was recorded of: a pressure may speak for a wheel whose speed is not sensed."""
    return wheels.sensed | (wheels.modulated >= 0)


def pattern(batch: EventBatch, wheels: WheelFacts) -> Codes:
    """Which wheels took part ``(E,)``, place in ``MODULATION_PATTERNS``; -1 without modulation or with a wheel open."""
    seen = looked_at(wheels)
    axle = np.array([int(name[:-1]) for name in batch.wheels], dtype=np.int64)
    left = np.array([name.endswith("L") for name in batch.wheels], dtype=np.bool_)
    found = modulation.taking_part(wheels.modulated == 1, seen, axle, left)
    return np.where(((wheels.modulated < 0) & seen).any(axis=0), -1, found).astype(np.int8)


def flag_and_wheels(batch: EventBatch, phases: Phases, wheels: WheelFacts) -> Codes:
    """Position in ``FLAG_AND_WHEELS`` ``(E,)``; -1 where the flag was not recorded or the wheels do not tell."""
    most = greatest(batch, "abs_active", np.maximum(phases.start, 0), _stop(phases))
    flag, shown = most >= 0.5, event_verdict(wheels.modulated, looked_at(wheels))
    code = np.where(flag, np.where(shown == 1, BOTH, FLAG_ONLY), np.where(shown == 1, WHEELS_ONLY, NEITHER))
    return np.where(np.isnan(most) | (shown < 0), -1, code).astype(np.int8)


def remarks(
    batch: EventBatch, phases: Phases, wheels: WheelFacts, told: Codes
) -> list[tuple[Bools, npt.NDArray[np.object_] | str]]:
    """Sentences for the notes: the events ``(E,)`` that they are said of, and the words.

    ``told`` ``(E,)`` is what :func:`flag_and_wheels` says.
    """
    flag: npt.NDArray[np.object_] | str = _FLAG_ONLY
    if batch.has("endurance_torque_pct") or batch.has("regen_power_kw"):
        other = np.fmax(batch.channel("endurance_torque_pct"), batch.channel("regen_power_kw"))
        retarded = slip.peak(np.abs(other)[None, :], np.maximum(phases.start, 0), _stop(phases))[0] > 0.0
        flag = np.where(retarded, _RETARDED, _FLAG_ONLY).astype(object)
    return [(told == FLAG_ONLY, flag), (told == WHEELS_ONLY, _WHEELS_ONLY), (wheels.unasked, _UNASKED)]


def _stop(phases: Phases) -> npt.NDArray[np.int64]:
    return np.where(phases.start >= 0, phases.stop, 0)
