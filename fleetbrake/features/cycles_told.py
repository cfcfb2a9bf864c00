"""What one kind of channel tells of a wheel's cycles: counted, doubted, merged."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection import applications, modulation
from fleetbrake.features.phases import Phases
from fleetbrake.features.recorded import greatest
from fleetbrake.features.signals import Signals
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

Count = Callable[..., modulation.Modulations]


@dataclass(frozen=True)
class Told:
    """What one kind of channel tells: its cycles, whether it could have shown some, whether they may be the foot's."""

    found: modulation.Modulations
    seen: Bools
    doubtful: Bools
    rate_hz: Floats

    def yes(self, criteria: Criteria) -> Bools:
        """Wheels ``(W, E)`` with cycles enough, and no reason to doubt them."""
        return (self.found.cycles >= criteria.least_cycles) & ~self.found.once_a_turn & ~self.doubtful


def merged(base: modulation.Modulations, other: modulation.Modulations, instead: Bools) -> modulation.Modulations:
    """The other's cycles where ``instead`` ``(W, E)`` says so."""
    if not instead.any():
        return base
    return modulation.Modulations(
        cycles=np.where(instead, other.cycles, base.cycles),
        hz=np.where(instead, other.hz, base.hz),
        begin_s=np.where(instead, other.begin_s, base.begin_s),
        end_s=np.where(instead, other.end_s, base.end_s),
        spread=np.where(instead, other.spread, base.spread),
        once_a_turn=base.once_a_turn & ~instead,
    )


def foot_s(signals: Signals, criteria: Criteria) -> Floats:
    """How long a cycle must take to be the foot's ``(E,)``: pressure may itself carry a control's quick cycles."""
    return np.where(signals.demand.kind == applications.PRESSURE, criteria.foot_shortest_s, 0.0)


def maybe_the_foot(count: Count, signals: Signals, found: modulation.Modulations, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` whose cycles may be a pumping foot that no channel shows.

    With a stop lamp or nothing for a demand, slow cycles in step with the vehicle's deceleration can be either.
    ``count`` takes ``held``, ``foot_s``, ``look`` and ``criteria``.
    """
    blind = (signals.demand.kind == applications.SWITCH) | (signals.demand.kind == applications.DECELERATION)
    asked = blind & (found.cycles >= criteria.least_cycles)
    if not asked.any():
        return asked
    held = np.where(blind[signals.event_of], signals.decel, np.nan)
    in_step = count(held=held, foot_s=np.full(blind.size, criteria.foot_shortest_s), look=asked, criteria=criteria)
    return asked & (in_step.cycles < criteria.least_cycles)  # type: ignore[no-any-return]


def flagged(batch: EventBatch, phases: Phases) -> Bools:
    """Whether the vehicle's own anti-lock flag was up while braking ``(E,)``."""
    stop = np.where(phases.start >= 0, phases.stop, -1)
    return greatest(batch, "abs_active", phases.start, stop) >= 0.5


def onset_speed(signals: Signals, phases: Phases) -> Floats:
    """Vehicle speed when the demand begins ``(E,)``, infinite where there is none."""
    if not signals.speed.size:
        return np.full(phases.start.size, np.inf)
    return np.where(phases.start >= 0, signals.speed[np.maximum(phases.start, 0)], np.inf)
