"""How the driver braked, in two figures an event; NULL where a rate, a gap or a lost reference hides them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import manner as kernels
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Manner:
    """All ``(E,)``: ``peak_jerk`` in m/s3, ``last_second`` 0 to 1."""

    peak_jerk: Floats
    last_second: Floats


def manner(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Manner:
    """Greatest jerk of the build-up, and the share of a stop's speed that came off in its last second."""
    decel = np.where(signals.supported, signals.decel, np.nan)
    row = 1.5 / signals.row_hz
    jerk = kernels.peak_jerk(batch.time_s, decel, phases.start, phases.stop, batch.offsets, criteria.jerk_window_s, row)
    fine = signals.carrier_hz >= 0.99 * criteria.least_rate_build_up_hz  # rates are told from time stamps
    clear = phases.carried & ~phases.gapped
    speed = np.where(signals.supported, signals.speed, np.nan)
    share = kernels.last_share(batch.time_s, speed, phases.start, phases.stop, criteria.last_second_s)
    stops = _stops(batch, signals, phases, criteria) & ~phases.gapped
    told = signals.carrier_hz >= 0.99 * criteria.least_rate_last_second_hz
    return Manner(
        peak_jerk=np.where(fine & clear, jerk, np.nan),
        last_second=np.where(stops & told, share, np.nan),
    )


def _stops(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Bools:
    """Brakings ``(E,)`` from some speed down to standstill."""
    if not batch.samples:
        return np.zeros(batch.events, np.bool_)
    first = signals.speed[np.maximum(phases.start, 0)]
    last = signals.speed[np.maximum(phases.stop - 1, 0)]
    down = (first >= criteria.last_second_from_mps) & (last <= criteria.standstill_mps)
    return np.asarray((phases.start >= 0) & down)
