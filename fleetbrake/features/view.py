"""One event as a person looks at it: reference speed, slip, deceleration and the spans that were judged."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.detection import near_miss
from fleetbrake.features.build import judge
from fleetbrake.features.phases import Phases
from fleetbrake.features.road import FrictionView, friction_view
from fleetbrake.features.sensors import Sensors, sensors
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.kinematics.vehicle_known import Told
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: The ``wheel`` of a span that concerns the vehicle's own speed.
VEHICLE = "vehicle"


@dataclass(frozen=True)
class Span:
    """A stretch of time of one wheel, seconds from the first sample.

    ``kind``: ``lockup``, ``modulation``, ``near_miss``, ``lost`` (the wheel's signal), ``unknown`` (nothing carries the
    reference speed; ``wheel`` is then ``VEHICLE``). ``slip`` is the deepest of a near miss, else NaN.
    """

    wheel: str
    start_s: float
    stop_s: float
    kind: str
    slip: float = np.nan


@dataclass(frozen=True)
class EventView:
    """Signals of one event ``(N,)``, wheels ``(W, N)`` in the order of ``wheels``, and the spans.

    ``supported`` marks where the reference speed rests on something that does not slip, ``speed_se_mps`` is its
    standard error; ``channel_mps`` is the speed channel as recorded (NaN where there is none) and ``delay_s`` its
    estimated age; ``from_channel`` and ``has_accel`` say what the reference rests on besides the wheels; ``slip`` is
    NaN below walking pace and where the wheel's signal is lost; ``decel_mps2`` is the rate of change of the reference
    speed; ``friction`` holds the (slip, braking rate) pairs and the curve.
    """

    time_s: Floats
    speed_mps: Floats
    speed_se_mps: Floats
    supported: Bools
    channel_mps: Floats
    delay_s: float
    from_channel: bool
    has_accel: bool
    decel_mps2: Floats
    wheels: tuple[str, ...]
    wheel_speed_mps: Floats
    slip: Floats
    spans: tuple[Span, ...]
    friction: FrictionView | None = None


def event_view(
    batch: EventBatch, criteria: Criteria = DEFAULT, *, continuous: bool = False, told: Told | None = None
) -> EventView:
    """The view of a batch that holds exactly one event, by the same steps that made its feature rows.

    ``continuous`` says that the event was cut out of a drive; ``told`` is what the vehicle's other events told of it
    when the rows were made, else this event tells it alone. Raises ``ValueError`` for any other number of events.
    """
    if batch.events != 1:
        raise ValueError(f"a view needs one event, not {batch.events}")
    signals, found, wheels = judge(batch, criteria, cut=not continuous, told=told)
    sensed = sensors(batch, signals, found, criteria)
    return EventView(
        time_s=batch.time_s,
        speed_mps=signals.speed,
        speed_se_mps=signals.speed_se,
        supported=signals.supported,
        channel_mps=batch.channel("speed_mps"),
        delay_s=float(signals.delay_s[0]),
        from_channel=bool(signals.from_channel[0]),
        has_accel=bool(signals.has_accel[0]),
        decel_mps2=signals.decel,
        wheels=batch.wheels,
        wheel_speed_mps=batch.wheel_speed_mps,
        slip=wheels.slip,
        spans=(
            *_judged(batch, wheels),
            *_caught(batch, signals, found, wheels, sensed, criteria),
            *_lost(batch, sensed),
            *(Span(VEHICLE, a, b, "unknown") for a, b in _times(batch.time_s, ~signals.supported)),
        ),
        friction=friction_view(batch, signals, found, wheels, criteria),
    )


def _judged(batch: EventBatch, wheels: WheelFacts) -> list[Span]:
    """Lockups between their exact ends, and the stretch of each wheel's cycles."""
    runs, names = wheels.lockups.spans, batch.wheels
    locked = [
        Span(names[w], float(begin), float(end), "lockup")
        for w, begin, end in zip(runs.wheel, runs.begin_s, runs.end_s, strict=True)
    ]
    modulated = [
        Span(name, float(wheels.modulation_begin_s[w, 0]), float(wheels.modulation_end_s[w, 0]), "modulation")
        for w, name in enumerate(names)
        if wheels.modulated[w, 0] == 1
    ]
    return locked + modulated


def _caught(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, sensed: Sensors, criteria: Criteria
) -> list[Span]:
    """Near misses where they happened: each excursion of slip by itself before the rule that counted them."""
    if not (wheels.near.count > 0).any():
        return []
    sure = signals.supported & (signals.speed > criteria.modulation_least_speed_mps)
    slip = np.where(sure, sensed.proven, np.nan)
    fall = near_miss.wheel_fall(batch.time_s, sensed.reading, signals.decel, batch.offsets, signals.wheel_seen_hz)
    runs = wheels.lockups.spans
    locked = near_miss.marks(runs.wheel, runs.start, runs.stop, len(batch.wheels), batch.samples)
    out = []
    for w in np.flatnonzero(wheels.near.count[:, 0] > 0):
        inside = slip[w] >= criteria.used_up_slip
        inside[: phases.start[0]] = False
        inside[phases.judged[0] :] = False
        start, stop = _runs(inside)
        count, deepest = near_miss.excursions(
            slip[w : w + 1],
            fall[w : w + 1],
            locked[w : w + 1],
            start,
            np.minimum(stop + 1, phases.judged[0]),
            criteria.near_lock_slip,
            criteria.near_lock_fall_mps2,
            criteria.near_lock_fall_slip,
            criteria.used_up_slip,
        )
        out += [
            Span(batch.wheels[w], *_between(batch.time_s, start[k], stop[k]), "near_miss", float(deepest[0, k]))
            for k in np.flatnonzero(count[0] > 0)
        ]
    return out


def _lost(batch: EventBatch, sensed: Sensors) -> list[Span]:
    """Where the signal of a recorded wheel is lost; a wheel that says nothing is lost from end to end."""
    return [
        Span(name, a, b, "lost")
        for w, name in enumerate(batch.wheels)
        if not np.isnan(batch.wheel_speed_mps[w]).all()
        for a, b in _times(batch.time_s, sensed.lost[w] | sensed.silent[w, 0])
    ]


def _runs(marked: Bools) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First positions of the runs of marked samples, and one past their last."""
    edge = np.diff(np.concatenate([[0], marked.astype(np.int8), [0]]))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def _times(time_s: Floats, marked: Bools) -> list[tuple[float, float]]:
    return [_between(time_s, a, b) for a, b in zip(*_runs(marked), strict=True)]


def _between(time_s: Floats, start: int, stop: int) -> tuple[float, float]:
    return float(time_s[start]), float(time_s[min(stop, len(time_s) - 1)])
