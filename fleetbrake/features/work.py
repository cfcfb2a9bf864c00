"""What an application's work is shared between: recuperation, retarder, air, and what coasting shows of the rest.

The share of the friction brakes needs the vehicle's category and is drawn up when publishing.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals, line_pressure
from fleetbrake.kinematics import energy, signal_loss, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Vehicle speed above which coasting is looked at, m/s (own choice: below it a held speed channel crawls).
COAST_ABOVE_MPS = 3.0


@dataclass(frozen=True)
class Work:
    """All ``(E,)``; NaN where the channel was not recorded or nothing was seen.

    ``regen_kj`` energy recuperated while braking; ``retarder_s`` time in which a retarder or engine brake worked;
    ``air_path`` integral of the squared speed over the path, m3/s2; ``retarder_path`` integral of the retarder's share
    (1 = full torque) over the path, m. Deceleration on a level road, and the mean speed at it, while nothing was asked
    (``coast``) and while the retarder worked alone (``retarded``, with its mean share).
    """

    regen_kj: Floats
    retarder_s: Floats
    air_path: Floats
    retarder_path: Floats
    coast_mps2: Floats
    coast_speed: Floats
    retarded_mps2: Floats
    retarded_speed: Floats
    retarded_share: Floats


def retarding(batch: EventBatch, criteria: Criteria) -> Bools:
    """Samples ``(N,)`` in which a retarder or engine brake works; its torque counts by size, whatever its sign."""
    if not batch.has("endurance_torque_pct"):
        return np.zeros(batch.samples, np.bool_)
    return np.abs(batch.channel("endurance_torque_pct")) > criteria.endurance_on_pct


def recuperating(batch: EventBatch, criteria: Criteria) -> Bools:
    """Samples ``(N,)`` in which recuperation works."""
    if not batch.has("regen_power_kw"):
        return np.zeros(batch.samples, np.bool_)
    return batch.channel("regen_power_kw") > criteria.regen_on_kw


def work(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Work:
    """Find what took part of the work of each application."""
    time_s, speed = batch.time_s, np.maximum(signals.speed, 0.0)
    bridge = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    unknown = np.full(batch.events, np.nan)

    def total(values: Floats) -> Floats:
        return energy.time_integral(time_s, values, phases.start, phases.stop, bridge)  # type: ignore[no-any-return]

    level = signals.decel + signals.slope_extra

    def mean(values: Floats, use: Bools) -> Floats:
        return slip.phase_mean(values[None, :], use, time_s, batch.offsets, criteria.coast_s)[0]  # type: ignore[no-any-return]

    coast, alone = _coasting(batch, signals, phases, criteria)
    coasts, retards = batch.has("accelerator_pct"), batch.has("endurance_torque_pct")
    share = np.abs(batch.channel("endurance_torque_pct")) / 100.0 if retards else time_s
    return Work(
        regen_kj=total(np.maximum(batch.channel("regen_power_kw"), 0.0)) if batch.has("regen_power_kw") else unknown,
        retarder_s=_retarder_s(batch, phases, total(share), criteria) if retards else unknown,
        air_path=total(speed**3),
        retarder_path=total(share * speed) if retards else unknown,
        coast_mps2=mean(level, coast) if coasts else unknown,
        coast_speed=mean(speed, coast) if coasts else unknown,
        retarded_mps2=mean(level, alone) if retards else unknown,
        retarded_speed=mean(speed, alone) if retards else unknown,
        retarded_share=mean(share, alone) if retards else unknown,
    )


def _retarder_s(batch: EventBatch, phases: Phases, asked: Floats, criteria: Criteria) -> Floats:
    """Time in which a retarder worked ``(E,)``, s; NaN where what was ``asked`` of it is not known."""
    retarder = retarding(batch, criteria) & phases.braking
    spent = signal_loss.marked_time(batch.time_s, retarder[None, :], batch.offsets)[0]
    return np.where(np.isnan(asked), np.nan, spent)


def _coasting(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> tuple[Bools, Bools]:
    """Samples ``(N,)`` in which neither foot asks anything; and in which the retarder works without friction brakes.

    Clear of the demand's onset and of the brakes' release, with the accelerator recorded as let go. A retarder that is
    part of the pedal works alone where the pressure is recorded and absent.
    """
    onset = np.where(phases.start >= 0, batch.time_s[np.maximum(phases.start, 0)] if batch.samples else np.nan, np.nan)
    early = batch.time_s < onset[signals.event_of] - criteria.coast_clear_s
    quiet = (early | phases.after) & ~signals.demand.on & (signals.speed > COAST_ABOVE_MPS) & signals.supported
    retarder, recuperation = retarding(batch, criteria), recuperating(batch, criteria)
    let_go = batch.channel("accelerator_pct") <= criteria.foot_off_pct
    pressure = line_pressure(batch)
    if pressure is not None:
        dry = phases.braking & (pressure < criteria.pressure_on_kpa) & (signals.speed > COAST_ABOVE_MPS)
        quiet_or_dry = quiet | dry
    else:
        quiet_or_dry = quiet
    driven = batch.channel("accelerator_pct") > criteria.foot_off_pct
    return quiet & let_go & ~retarder & ~recuperation, quiet_or_dry & ~driven & retarder & ~recuperation
