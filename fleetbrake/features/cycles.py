"""Release-and-rebuild cycles of each wheel and event: what counts as one, and what the rates leave unseen."""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.vocabulary import BRAKE_SOURCES
from fleetbrake.detection import applications, modulation
from fleetbrake.features.cycles_told import Told, flagged, foot_s, maybe_the_foot, merged
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.features.slip_cycles import by_slip
from fleetbrake.kinematics import rates, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Systems that ask for a stop of the whole vehicle without the driver's foot, and the one that brakes single wheels.
_STOPPING = tuple(BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "hold"))
_STABILITY = BRAKE_SOURCES.index("esc")


@dataclass(frozen=True)
class Cycles:
    """Of each wheel ``(W, E)``: cycles, frequency as seen, rate of the channel, span, and the verdict 1, 0 or -1.

    ``once_a_turn`` marks wheels whose slip pulses with their turning; ``unasked`` ``(E,)`` events in which nobody asked
    for the friction brakes of the whole vehicle.
    """

    count: Ints
    hz: Floats
    rate_hz: Floats
    begin_s: Floats
    end_s: Floats
    verdict: npt.NDArray[np.int8]
    once_a_turn: Bools
    unasked: Bools


def wheel_cycles(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    beside: Floats,
    noise: Floats,
    dead: Bools,
    criteria: Criteria,
) -> Cycles:
    """Cycles of each wheel: by its slip, or by its own pressure where that tells more.

    ``slips`` ``(W, N)`` and ``beside``, the wheel against the vehicle in m/s, are NaN where the signal is lost;
    ``noise`` ``(W, E)`` in m/s, ``dead`` wheels say nothing.
    """
    unasked = _unasked(batch, signals, criteria)
    usable = ~(unasked[signals.event_of] | _by_stability(batch, criteria))
    told = by_slip(batch, signals, phases, slips, beside, noise, dead, usable, criteria)
    found, seen, rate_hz = told.found, told.seen, np.broadcast_to(told.rate_hz, told.seen.shape)
    yes, doubtful = told.yes(criteria), told.doubtful | told.found.once_a_turn
    if batch.presses:
        pressed = _by_pressure(batch, signals, phases, usable, criteria)
        pulsed = pressed.yes(criteria)
        instead = (pulsed & (~yes | (pressed.rate_hz > told.rate_hz))) | (~yes & ~seen & pressed.seen)
        found = merged(found, pressed.found, instead)
        rate_hz = np.where(instead, pressed.rate_hz, rate_hz)
        doubtful = np.where(instead, pressed.doubtful, doubtful)
        yes, seen = yes | pulsed, seen | instead
    cycles = np.where((dead & ~seen) | (doubtful & ~yes), 0, found.cycles)
    verdict = np.where(yes, 1, np.where(seen & ~doubtful, 0, -1))
    return Cycles(
        count=cycles,
        hz=np.where(cycles > 0, found.hz, np.nan),
        rate_hz=rate_hz,
        begin_s=found.begin_s,
        end_s=found.end_s,
        verdict=np.where(phases.start[None, :] < 0, -1, verdict).astype(np.int8),
        once_a_turn=told.found.once_a_turn,
        unasked=unasked & (phases.start >= 0),
    )


# --- who asked for the brakes


def _by_stability(batch: EventBatch, criteria: Criteria) -> Bools:
    """Samples ``(N,)`` in which stability control brakes on its own, the pedal not down."""
    if batch.brake_source is None:
        return np.zeros(batch.samples, np.bool_)
    pressed = batch.channel("brake_pedal_pct") >= criteria.pedal_on_pct  # False where not recorded
    return (batch.brake_source == _STABILITY) & ~pressed


def _unasked(batch: EventBatch, signals: Signals, criteria: Criteria) -> Bools:
    """Events ``(E,)`` whose friction brakes were off, or on at no more than half of the wheels and without the pedal.

    A stop lamp lit by a retarder, a deceleration while pedal or pressure stay at rest: what slips then, slips by the
    driveline. Pressure at single wheels is stability control.
    """
    if not batch.events:
        return np.zeros(0, np.bool_)
    first = batch.offsets[:-1]
    kind = signals.demand.kind

    def recorded(values: Floats) -> Bools:
        return np.logical_or.reduceat(~np.isnan(values), first)  # type: ignore[no-any-return]

    pressed = _greatest_pressures(batch)
    line = recorded(batch.channel("brake_pressure_kpa")) | ~np.isnan(pressed).all(axis=0)
    foot = recorded(batch.channel("brake_pedal_pct"))
    by_system = np.zeros(batch.events, np.bool_)
    if batch.brake_source is not None:
        by_system = np.logical_or.reduceat(np.isin(batch.brake_source, _STOPPING), first)
    # a channel that moves is the demand: where the lamp or the deceleration had to speak, pedal and pressure rested
    other = (kind == applications.SWITCH) | (kind == applications.DECELERATION)
    at_rest = other & (line | (foot & ~by_system))
    braked = (pressed > criteria.pressed_share * np.fmax.reduce(pressed, axis=0, initial=0.0)).sum(axis=0)
    known = (~np.isnan(pressed)).sum(axis=0)
    single = (kind == applications.PRESSURE) & (known >= 3) & (braked > 0) & (2 * braked <= known)
    return at_rest | single  # type: ignore[no-any-return]


def _greatest_pressures(batch: EventBatch) -> Floats:
    """Greatest pressure of each wheel in each event ``(W, E)``, kPa; NaN where not recorded."""
    if not batch.presses:
        return np.full((len(batch.wheels), batch.events), np.nan)
    return slip.peak(batch.wheel_pressure_kpa, batch.offsets[:-1], batch.offsets[1:])


# --- by pressure


def _by_pressure(batch: EventBatch, signals: Signals, phases: Phases, usable: Bools, criteria: Criteria) -> Told:
    """What the wheels' own pressures tell."""
    greatest = slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop)
    rate_hz = rates.effective_rate(batch.time_s, batch.wheel_pressure_kpa, batch.offsets)
    count = partial(
        modulation.by_pressure,
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        pressure_kpa=batch.wheel_pressure_kpa,
        greatest_kpa=greatest,
        event_of=signals.event_of,
        speed_mps=signals.speed,
        usable=usable,
        held=phases.held,
        foot_s=foot_s(signals, criteria),
    )
    found = count(criteria=criteria)
    swings = count(criteria=replace(criteria, cycle_longest_s=np.inf)).cycles
    slow = ~(rate_hz >= criteria.alias_free_hydraulic_hz)
    quick_enough = rate_hz >= criteria.least_rate_modulation_hz
    # a low rate may show a flat pressure where there are cycles: then it speaks only for wheels without any sign
    seen = ~np.isnan(greatest) & quick_enough & ~(slow & ((swings > 0) | flagged(batch, phases))) & ~phases.gapped
    found = replace(found, cycles=np.where(quick_enough, found.cycles, 0))
    return Told(found, seen, maybe_the_foot(count, signals, found, criteria), rate_hz)
