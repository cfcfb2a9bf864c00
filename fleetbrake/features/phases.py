"""The phases of each event: before the demand, braking, held demand, after release."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection import applications
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import deceleration, response, signal_loss, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A held demand stays within this share of itself over the settling time (own choice).
HELD_WITHIN = 0.10

#: Settling time from demand to deceleration: above the 0.45 s of FMVSS 121 S5.3.3 (verified), s.
SETTLE_S = 0.6

#: The first samples of the deceleration can come before a coarse demand channel: "before" keeps clear of the onset, s
#: (own choice: five rows at 50 Hz).
CLEAR_S = 0.1

#: Rows this far apart hide where between them a sudden demand began, s (own choice: 0.5 m at 20 m/s).
COARSE_S = 0.035


@dataclass(frozen=True)
class Phases:
    """``start``, ``stop``, ``release`` ``(E,)`` sample positions (-1: none); the rest marks samples ``(N,)``.

    ``lead`` ``(E,)`` is how long before the sample ``start`` the demand began, s.
    ``carried`` ``(E,)``: the speed was known long enough for a word on the road; a short stretch before all wheels
    slide says nothing of the rest.
    ``judged`` ``(E,)`` is one past the last sample in which a wheel may still be braked: the force outlives it.
    ``distance`` ``(N,)`` is what was travelled since the onset, NaN where the speed rests on nothing.
    ``longest_gap`` ``(E,)`` is the longest time between rows while braking, ``gapped`` whether it hides something.
    ``held`` is the demand against which a release of pressure is judged: NaN where it follows the vehicle
    (deceleration).
    """

    start: Ints
    stop: Ints
    release: Ints
    lead: Floats
    carried: Bools
    judged: Ints
    distance: Floats
    longest_gap: Floats
    gapped: Bools
    braking: Bools
    outlived: Bools
    before: Bools
    steady: Bools
    after: Bools
    held: Floats


def phases(batch: EventBatch, signals: Signals, criteria: Criteria) -> Phases:
    """Find the phases of cut events."""
    start, stop, release = applications.stretch(
        time_s=batch.time_s,
        offsets=batch.offsets,
        wanted=signals.demand,
        speed_mps=signals.speed,
        criteria=criteria,
    )
    before, braking, outlived, after, counted = applications.phase_marks(
        batch.time_s, batch.offsets, start, stop, release, CLEAR_S, criteria.release_look_s
    )
    # counted from the onset: a hole in the lead-in says nothing against the braking distance
    known = np.where(signals.supported, signals.speed, np.nan)
    gap = deceleration.longest_step(batch.time_s, np.maximum(start, 0), np.where(start >= 0, stop, 0))
    kind = signals.demand.kind[signals.event_of]
    steady = response.steady(
        batch.time_s,
        signals.demand.level,
        slip.greatest_of(signals.slip, start, stop),
        signals.speed,
        start,
        stop,
        SETTLE_S,
        criteria.steady_slip_below,
        criteria.modulation_least_speed_mps,
        HELD_WITHIN,
    )
    return Phases(
        start=start,
        stop=stop,
        release=release,
        lead=_lead(batch, signals, start),
        carried=_carried(batch, signals, braking) >= criteria.carried_least,
        judged=stop + counted,
        distance=deceleration.travelled(batch.time_s, known, start, stop),
        longest_gap=np.where(start >= 0, gap, np.nan),
        gapped=gap > np.fmax(criteria.gap_s, 2.5 / signals.row_hz),
        braking=braking,
        outlived=outlived,
        before=before,
        steady=steady,
        after=after,
        held=np.where(kind == applications.DECELERATION, np.nan, signals.demand.level),
    )


def _lead(batch: EventBatch, signals: Signals, start: Ints) -> Floats:
    """How long before its first reading a measured demand began ``(E,)``, s."""
    kind = signals.demand.kind
    measured = (kind == applications.PEDAL) | (kind == applications.PRESSURE)
    lead = applications.onset_lead(batch.time_s, signals.demand.level, start, batch.offsets, COARSE_S)
    return np.where(measured, lead, 0.0)


def _carried(batch: EventBatch, signals: Signals, braking: Bools) -> Floats:
    """Share of the braking time in which the reference has support ``(E,)``; 0 without a phase."""
    whole = signal_loss.marked_time(batch.time_s, braking[None, :], batch.offsets)[0]
    carried = signal_loss.marked_time(batch.time_s, (braking & signals.supported)[None, :], batch.offsets)[0]
    return np.divide(carried, whole, out=np.zeros(batch.events), where=whole > 0.0)
