"""Wheel-speed signals outside the braking: between applications of a drive, before and after in a cut recording."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection.applications import Cuts
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import signal_loss, wheel_speed
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Vehicle speed above which a rolling wheel must show (own choice: ten steps of a coarse tone wheel), and the share of
#: it that a wheel which turns at all shows (own choice: far above what a raised wheel coasts at).
ROLLS_ABOVE_MPS, TURNS = 3.0, 0.1


@dataclass(frozen=True)
class Between:
    """``watched_s`` ``(W, E)`` time in which a wheel rolled unbraked, ``dropout_s`` that without its signal.

    Both NaN for a wheel that never turns in the recording: it is not sensed, or its axle is raised.
    """

    dropout_s: Floats
    watched_s: Floats


def in_recordings(batch: EventBatch, signals: Signals, criteria: Criteria) -> Between:
    """For cut recordings: what they hold before and after the application."""
    parents = np.arange(batch.events)
    return _between(batch, signals, criteria, batch.offsets[:-1], batch.offsets[1:], parents)


def in_drives(batch: EventBatch, signals: Signals, cuts: Cuts, criteria: Criteria) -> Between:
    """For whole drives: the time from one application to the next belongs to the next, what follows the last to it."""
    first, last = batch.offsets[cuts.parent], batch.offsets[cuts.parent + 1]
    start, stop = first.copy(), last.copy()
    if cuts.parent.size:
        follows = cuts.parent[1:] == cuts.parent[:-1]
        start[1:] = np.where(follows, cuts.onset[:-1], first[1:])
        stop[:-1] = np.where(follows, cuts.onset[:-1], last[:-1])
    return _between(batch, signals, criteria, start, stop, cuts.parent)


def _between(
    batch: EventBatch, signals: Signals, criteria: Criteria, start: Ints, stop: Ints, parents: Ints
) -> Between:
    if not batch.samples or not batch.wheels:
        nothing = np.full((len(batch.wheels), len(start)), np.nan)
        return Between(nothing, nothing)
    quiet = wheel_speed.settled(batch.time_s, signals.demand.on, batch.offsets, criteria.release_look_s)
    quiet &= ~(batch.channel("lift_axle_up") >= 0.5) & signals.supported
    lost = signal_loss.rolling_loss(
        batch.time_s,
        batch.wheel_speed_mps,
        _partners(batch.wheels),
        signals.speed,
        quiet,
        batch.offsets,
        ROLLS_ABOVE_MPS,
        criteria.frozen_s,
    )
    watched = (quiet & (signals.speed > ROLLS_ABOVE_MPS))[None, :]
    turned = signal_loss.turns(batch.wheel_speed_mps, signals.speed, batch.offsets, ROLLS_ABOVE_MPS, TURNS)
    sensed = turned[:, parents]
    return Between(
        np.where(sensed, signal_loss.time_within(batch.time_s, lost, start, stop), np.nan),
        np.where(sensed, signal_loss.time_within(batch.time_s, watched, start, stop), np.nan),
    )


def _partners(wheels: tuple[str, ...]) -> Ints:
    """Row of the other wheel of each wheel's axle ``(W,)``, -1 where it was not recorded."""
    other = {"L": "R", "R": "L"}
    names = [name[:-1] + other[name[-1]] for name in wheels]
    return np.array([wheels.index(name) if name in wheels else -1 for name in names], dtype=np.int64)
