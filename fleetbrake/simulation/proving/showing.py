"""In which recorded events a fault showed: the same applications are simulated with it and without it.

An event counts where the physical states differ by a stated size (own choices, at about what inspection rules or a
careful driver would notice); what the tool could make of the recording plays no part. :func:`recordable` tells apart
what no tool could see: the recording lacks the channel.

==============================  ==================================================================================
``low_brake_effectiveness``     brake deceleration at equal pedal lower by 10 % or more
``side_imbalance``              that wheel's brake force lower by 15 % or more, for a second of braking
``brake_drag``                  brake force over 1 % of the wheel's load while rolling for 0.5 s with the pedal free
``slow_response``               75 % of the pressure reached 0.1 s later or more
``brake_fade``                  brake deceleration in the last third of the application lower by 10 % or more
``lockup_without_modulation``   a wheel locked for 0.1 s above the cut-off speed that otherwise was not
``modulation_on_light_braking`` control at work under 0.3 g that otherwise was not
``wheel_speed_dropout``         signal lost for 0.1 s or more while the vehicle moves
==============================  ==================================================================================
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.applications import Applications
from fleetbrake.simulation.dynamics import ROLLING_RESISTANCE
from fleetbrake.simulation.proving.faults import Fault, Ints, apply
from fleetbrake.simulation.proving.setting import Unit
from fleetbrake.simulation.run import Simulated, simulate

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

SLOW_SPEED_HZ: Final = 10.0
LESS_DECELERATION: Final = 0.10
LESS_WHEEL_FORCE: Final = 0.15
DRAG_OF_LOAD: Final = 0.01
DRAG_FOR_S: Final = 0.5
LATER_S: Final = 0.1
LOCKED_S: Final = 0.1
LIGHT_G: Final = 0.3
LOST_S: Final = 0.1


def recordable(unit: Unit, indicator: str) -> bool:
    """Whether the vehicle's recordings hold what the indicator needs, whatever a tool makes of them.

    Deceleration for a demand says nothing where a retarder or recuperation takes an unrecorded share, where the mass of
    a heavy vehicle is not recorded, or where an electronic control holds the deceleration and no pressure is recorded.
    A build-up time needs a demand and a speed, or an accelerometer, that change more often than ten times a second.
    """
    if indicator == "slow_response":
        return "pressure" in unit.channels or unit.logger.gnss_rate_hz > SLOW_SPEED_HZ or unit.logger.accel
    if indicator not in ("low_brake_effectiveness", "brake_fade"):
        return True
    if unit.endurance == "regen" or (unit.endurance == "retarder" and "retarder" not in unit.channels):
        return False
    if unit.ebs and "pressure" not in unit.channels and "pedal" in unit.channels:
        return False
    return indicator == "brake_fade" or unit.spec.category == "N1" or unit.logger.mass


def showed(sound: Applications, faults: Sequence[Fault], which: Fault, day: Ints, sim: Simulated, lost: Bools) -> Bools:
    """Events ``(E,)`` in which the fault ``which`` showed.

    ``sound`` are the applications as the foot asked for them, without any fault; ``sim`` has all of ``faults``;
    ``lost (N,)`` marks the samples in which the wheel's signal was taken away.
    """
    sick = which.strength(day) > 0.0
    if which.indicator == "wheel_speed_dropout":
        samples = np.bincount(sim.event, weights=lost & (sim.speed_mps > 1.0), minlength=len(day))
        return np.asarray(sick & (samples >= LOST_S * sim.rate_hz))
    at = np.flatnonzero(sick)
    without = sound[at].copy()
    apply(without, [f for f in faults if f is not which], day[at])
    other = simulate(without)
    answer = np.zeros(len(day), dtype=bool)
    for place, event in enumerate(at):
        answer[event] = _differs(which, sim, int(event), other, place)
    return answer


def _part(sim: Simulated, event: int) -> slice:
    return slice(int(sim.offsets[event]), int(sim.offsets[event + 1]))


def _differs(fault: Fault, sim: Simulated, event: int, other: Simulated, place: int) -> bool:
    """Whether an event differs from its sound twin in what the fault is about."""
    if fault.indicator in ("low_brake_effectiveness", "brake_fade"):
        since = 0.67 if fault.indicator == "brake_fade" else 0.0
        return _less(_deceleration(sim, event, since), _deceleration(other, place, since))
    if fault.indicator == "slow_response":
        return _built(sim, event) - _built(other, place) >= LATER_S
    wheels = [WHEELS.index(fault.wheel)] if fault.wheel else list(range(6))
    if fault.indicator == "side_imbalance":
        return _weak(sim, event, other, place, wheels[0])
    if fault.indicator == "brake_drag":
        return _drags(sim, event, wheels[0])
    if fault.indicator == "lockup_without_modulation":
        return _locked(sim, event, wheels) and not _locked(other, place, wheels)
    return _works_lightly(sim, event) and not _works_lightly(other, place)


def _weak(sim: Simulated, event: int, other: Simulated, place: int, wheel: int) -> bool:
    ratio = sim.applications["factor"][event, wheel] / other.applications["factor"][place, wheel]
    pressed = (sim.pedal_pct[_part(sim, event)] > 1.0).sum() >= sim.rate_hz
    return bool(ratio <= 1.0 - LESS_WHEEL_FORCE and pressed)


def _works_lightly(sim: Simulated, event: int) -> bool:
    """Control at work though the vehicle brakes lightly."""
    part = _part(sim, event)
    light = -float(sim.accel_mps2[part].min(initial=0.0)) < LIGHT_G * G_MPS2
    return bool(light and sim.wheel_controlled[:, part].any())


def _deceleration(sim: Simulated, event: int, since: float) -> Floats:
    """What the brakes take off, m/s2, from the share ``since`` of the braking to its end."""
    part, app = _part(sim, event), sim.applications[event]
    braking = np.flatnonzero((sim.pedal_pct[part] > 1.0) & (sim.speed_mps[part] > 0.5))
    chosen = braking[int(since * len(braking)) :]
    resistance = G_MPS2 * (ROLLING_RESISTANCE + app["grade"])
    return np.asarray(-sim.accel_mps2[part][chosen] - resistance)


def _less(sick: Floats, sound: Floats) -> bool:
    if not len(sick) or not len(sound):
        return False
    return bool(sick.mean() <= (1.0 - LESS_DECELERATION) * sound.mean())


def _drags(sim: Simulated, event: int, wheel: int) -> bool:
    """Brake force over the limit while rolling with the pedal free, before or after the application."""
    part, app = _part(sim, event), sim.applications[event]
    load = float(app["load_n"][wheel])
    if load <= 0.0:
        return False
    pressure = np.maximum(sim.wheel_pressure_kpa[wheel, part], app["residual_kpa"][wheel])
    force = pressure * app["gain_nm_per_kpa"][wheel] * app["factor"][wheel] / app["radius_m"][wheel]
    # what every sound brake still has 0.3 s after the foot left the pedal is no drag
    free = (sim.time_s[part] < 0.0) | (sim.time_s[part] > sim.braking_end_s[event] + 0.3)
    rolling = free & (sim.speed_mps[part] > 1.5)
    return bool((rolling & (force > DRAG_OF_LOAD * load)).sum() >= DRAG_FOR_S * sim.rate_hz)


def _built(sim: Simulated, event: int) -> float:
    """Seconds from the onset to 75 % of the pressure asked for; not reached: 0, so that nothing is claimed."""
    part, app = _part(sim, event), sim.applications[event]
    goal = 0.75 * 0.01 * float(app["pedal_pct"] * app["full_pressure_kpa"] * app["friction_share"])
    reached = np.flatnonzero(sim.line_pressure_kpa[part] >= goal)
    return float(sim.time_s[part][reached[0]]) if len(reached) else 0.0


def _locked(sim: Simulated, event: int, wheels: Sequence[int]) -> bool:
    part = _part(sim, event)
    fast = sim.speed_mps[part] > sim.applications["abs_cutoff_mps"][event]
    seconds = (sim.wheel_locked[:, part] & fast)[list(wheels)].sum(axis=1) / sim.rate_hz
    return bool(seconds.max(initial=0.0) >= LOCKED_S)
