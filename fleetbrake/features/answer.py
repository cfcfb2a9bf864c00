"""How the vehicle answered the demand: build-up and release time, effectiveness; NULL where something else braked too.

Retarder, engine brake and recuperation decelerate without the friction brakes, and systems brake without the pedal.
Samples in which an endurance brake worked are left out of the effectiveness, which is therefore that of the friction
brakes; a rise or fall in which one worked has no build-up or release time.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.core.vocabulary import BRAKE_SOURCES
from fleetbrake.detection import applications
from fleetbrake.features.phases import Phases
from fleetbrake.features.recorded import greatest
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.features.work import recuperating, retarding
from fleetbrake.kinematics import deceleration, response, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Least steady time for an effectiveness, s (own choice: at 0.03 m/s speed noise 0.5 s give 0.1 m/s2).
LEAST_STEADY_S = 0.5

#: Where the deceleration before the demand is read, s before it (own choice: clear of the onset, after the foot moved).
REST_S = (0.4, 0.1)

_SYSTEMS = tuple(BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "esc"))
_ONE_WHEEL = BRAKE_SOURCES.index("esc")


@dataclass(frozen=True)
class Answer:
    """All ``(E,)``: see the columns of ``events`` in ``core.tables``."""

    demand_hz: Floats
    demand_rise: Floats
    build_up: Floats
    release: Floats
    effectiveness: Floats
    effectiveness_change: Floats


def answer(batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria) -> Answer:
    """Build-up and release time, effectiveness and its change; NaN without a measured demand or where rates hide them.

    Where the anti-lock control holds pressure back, by the wheels or by the vehicle's own flag, the demand is not what
    the brakes got: none of them. The same where a system asked, of a pedal that did not, or of single wheels.
    """
    demand_hz = _demand_rate(signals)
    endurance = retarding(batch, criteria) | recuperating(batch, criteria)
    level = signals.slope_extra + signals.decel
    rest = _rest(batch, signals, phases, level)
    flagged = greatest(batch, "abs_active", phases.start, phases.stop) >= 0.5
    # what already braked the vehicle goes on under the demand
    braked_before = rest > criteria.decel_on_cut_mps2
    given = _by_demand(batch, signals, phases) & ~flagged & ~(wheels.modulated == 1).any(axis=0) & ~braked_before
    whole, change = response.effectiveness(
        batch.time_s,
        signals.speed,
        signals.slope_extra,
        signals.demand.level,
        phases.steady & ~endurance,
        phases.start,
        phases.stop,
        LEAST_STEADY_S,
    )
    slid = (wheels.lockups.verdict == 1).any(axis=0)
    asked = given & ~slid & (demand_hz >= 0.99 * criteria.least_rate_build_up_hz)  # rates are told from time stamps
    quick = asked & _quick(signals, criteria)
    return Answer(
        demand_hz=demand_hz,
        demand_rise=np.where(asked, _demand_rise(batch, signals, phases, criteria), np.nan),
        build_up=np.where(quick & phases.carried, _build_up(batch, signals, phases, rest, endurance, criteria), np.nan),
        release=np.where(quick, _release(batch, signals, phases, endurance, criteria), np.nan),
        effectiveness=np.where(given, whole, np.nan),
        effectiveness_change=np.where(given, change, np.nan),
    )


def _measured(signals: Signals) -> Bools:
    kind = signals.demand.kind
    return (kind == applications.PEDAL) | (kind == applications.PRESSURE)


def _demand_rate(signals: Signals) -> Floats:
    """Effective rate of the demand channel used; NaN for a switch or where the demand hardly moved.

    A demand that changed too few times for a rate may be a slow channel held in quick rows: it times nothing.
    """
    return np.where(_measured(signals), signals.demand_hz, np.nan)


def _quick(signals: Signals, criteria: Criteria) -> Bools:
    """Whether the speed changes often enough to time the answer; rates are told from time stamps."""
    return signals.carrier_hz >= 0.99 * criteria.least_rate_build_up_hz


def _by_demand(batch: EventBatch, signals: Signals, phases: Phases) -> Bools:
    """Whether the measured demand is what braked: no system asked besides the pedal, or single wheels."""
    if batch.brake_source is None or not batch.events:
        return _measured(signals)
    asked = np.where(phases.braking, batch.brake_source, -1)
    system = np.logical_or.reduceat(np.isin(asked, _SYSTEMS), batch.offsets[:-1])
    one_wheel = np.logical_or.reduceat(asked == _ONE_WHEEL, batch.offsets[:-1])
    return _measured(signals) & ~one_wheel & ~(system & (signals.demand.kind == applications.PEDAL))


def _rest(batch: EventBatch, signals: Signals, phases: Phases, level: Floats) -> Floats:
    """Deceleration just before the demand, level road ``(E,)``; 0 where the recording begins with it."""
    if not batch.samples:
        return np.zeros(batch.events)
    onset = np.where(phases.start >= 0, batch.time_s[np.maximum(phases.start, 0)], np.nan)[signals.event_of]
    ahead = onset - batch.time_s
    use = (ahead <= REST_S[0] + 1e-9) & (ahead >= REST_S[1] - 1e-9) & signals.supported
    return or_zero(slip.phase_mean(level[None, :], use, batch.time_s, batch.offsets, 0.1)[0])


def _build_up(
    batch: EventBatch, signals: Signals, phases: Phases, rest: Floats, endurance: Bools, criteria: Criteria
) -> Floats:
    level = signals.slope_extra + signals.decel
    strong = slip.peak(level[None, :], phases.start, phases.stop)[0] - rest >= criteria.response_least_mps2
    risen = response.build_up(
        batch.time_s, signals.demand.level, level, rest, phases.start, phases.stop, criteria.build_up_share
    )
    ahead = risen < -(criteria.preceded_s + 1.0 / signals.carrier_hz)
    helped = _any(endurance, phases.start, phases.stop)
    return np.where(strong & ~ahead & ~helped & ~phases.gapped, risen, np.nan)


def _demand_rise(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Floats:
    """How long the foot took ``(E,)``, s; it sets part of a short build-up."""
    rise = response.rise_time(batch.time_s, signals.demand.level, phases.start, phases.stop, criteria.build_up_share)
    return np.where(phases.gapped, np.nan, rise + phases.lead)


def _release(batch: EventBatch, signals: Signals, phases: Phases, endurance: Bools, criteria: Criteria) -> Floats:
    """Release time; NaN where the vehicle came to rest, was braked again or driven before the brakes were off."""
    last = _rolls_until(batch, signals, phases, criteria)
    first = np.where(phases.release >= 0, phases.start, last)  # an empty range where nothing was released
    level = signals.slope_extra + signals.decel
    fallen, lost, rest = response.release_time(
        batch.time_s,
        signals.demand.level,
        level,
        phases.release,
        first,
        last,
        criteria.build_up_share,
        criteria.release_look_back_s,
        criteria.release_rest_after_s,
        criteria.release_rest_s,
    )
    # an engine that pulls, or something that goes on braking, hides where the brakes' own force ends
    clear = (np.abs(rest) <= criteria.decel_on_cut_mps2) & (rest >= -criteria.decel_onset_mps2)
    gap = deceleration.longest_step(batch.time_s, first, last)
    whole = ~(gap > np.fmax(criteria.gap_s, 2.5 / signals.row_hz))
    strong = lost >= criteria.response_least_mps2
    ahead = fallen < -(criteria.preceded_s + 1.0 / signals.carrier_hz)
    return np.where(clear & whole & strong & ~ahead & ~_any(endurance, first, last), fallen, np.nan)


def _rolls_until(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Ints:
    """One past the last sample after release in which the vehicle rolls, unasked, on a known speed ``(E,)``."""
    driven = batch.channel("accelerator_pct") > criteria.foot_off_pct
    stopped = ~(signals.speed > criteria.moving_mps) | ~signals.supported | signals.demand.on | driven
    position = np.arange(batch.samples)
    released = np.where(phases.release >= 0, phases.release, batch.samples)[signals.event_of]
    late = np.where(stopped & (position > released), position, batch.samples)
    if not batch.events:
        return np.zeros(0, np.int64)
    return np.minimum(np.minimum.reduceat(late, batch.offsets[:-1]), batch.offsets[1:]).astype(np.int64)


def _any(marks: Bools, start: Ints, stop: Ints) -> Bools:
    """Whether any sample of ``[start, stop)`` is marked ``(E,)``."""
    if not marks.any():
        return np.zeros(start.size, np.bool_)
    return slip.peak(marks.astype(np.float64)[None, :], start, stop)[0] > 0.5  # type: ignore[no-any-return]
