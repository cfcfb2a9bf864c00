"""How the vehicle pulls to a side under held demand: yaw rate and steering against what they were before the demand.

Left positive. A side that brakes more turns the vehicle to it, or the driver steers against it. In a bend neither says
anything of the brakes: NaN where the vehicle went through one before the demand, or under it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Pull:
    """All ``(E,)``; NaN where it was not recorded, or not held long enough.

    ``yaw_radps`` change of the yaw rate, ``steer_rad`` change of the steering angle at a yaw rate that stayed;
    ``decel_mps2`` mean deceleration meanwhile, level road; ``tilt_mps2`` what the accelerometer showed beside the
    change of speed: a slope that nobody recorded, and its own zero.
    """

    yaw_radps: Floats
    steer_rad: Floats
    decel_mps2: Floats
    tilt_mps2: Floats


def pull(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Pull:
    """Means under held demand (``Phases.steady``) less those before the demand."""
    yaw, steer = batch.channel("yaw_rate_radps"), batch.channel("steering_angle_rad")
    level = signals.decel + signals.slope_extra
    least = criteria.free_roll_s
    held = phases.steady & signals.supported
    decel, tilt = slip.phase_mean(np.stack((level, signals.tilt)), held, batch.time_s, batch.offsets, least)
    if not (batch.has("yaw_rate_radps") or batch.has("steering_angle_rad")):
        unknown = np.full(batch.events, np.nan)
        return Pull(yaw_radps=unknown, steer_rad=unknown, decel_mps2=decel, tilt_mps2=tilt)
    rows = np.stack((yaw, steer, yaw * signals.speed))
    before = slip.phase_mean(rows, phases.before & signals.supported, batch.time_s, batch.offsets, least)
    under = slip.phase_mean(rows, held, batch.time_s, batch.offsets, least)
    straight = np.abs(before[2]) <= criteria.pull_bend_mps2
    held_straight = straight & (np.abs(under[2] - before[2]) <= criteria.pull_bend_mps2)
    rolled = straight & (np.abs(under[2]) <= criteria.pull_most_mps2)
    return Pull(
        yaw_radps=np.where(rolled, under[0] - before[0], np.nan),
        steer_rad=np.where(held_straight, under[1] - before[1], np.nan),
        decel_mps2=decel,
        tilt_mps2=tilt,
    )
