"""One event as a person looks at it: reference speed, slip, deceleration and the spans that were judged."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.features.build import judge
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Span:
    """A stretch of time of one wheel: ``kind`` is ``lockup`` or ``modulation``; seconds from the first sample."""

    wheel: str
    start_s: float
    stop_s: float
    kind: str


@dataclass(frozen=True)
class EventView:
    """Signals of one event ``(N,)``, wheels ``(W, N)`` in the order of ``wheels``, and the spans.

    ``supported`` marks where the reference speed rests on something that does not slip; ``slip`` is NaN below walking
    pace; ``decel_mps2`` is the rate of change of the reference speed.
    """

    time_s: Floats
    speed_mps: Floats
    supported: npt.NDArray[np.bool_]
    decel_mps2: Floats
    wheels: tuple[str, ...]
    wheel_speed_mps: Floats
    slip: Floats
    spans: tuple[Span, ...]


def event_view(batch: EventBatch, criteria: Criteria = DEFAULT, *, continuous: bool = False) -> EventView:
    """The view of a batch that holds exactly one event, by the same steps that made its feature rows.

    ``continuous`` says that the event was cut out of a drive. Raises ``ValueError`` for any other number of events.
    """
    if batch.events != 1:
        raise ValueError(f"a view needs one event, not {batch.events}")
    signals, _, wheels = judge(batch, criteria, cut=not continuous)
    runs = wheels.lockups.spans
    names = batch.wheels
    locked = [
        Span(names[w], float(batch.time_s[a]), float(batch.time_s[b]), "lockup")
        for w, a, b in zip(runs.wheel, runs.start, runs.stop, strict=True)
    ]
    modulated = [
        Span(name, float(wheels.modulation_begin_s[w, 0]), float(wheels.modulation_end_s[w, 0]), "modulation")
        for w, name in enumerate(names)
        if wheels.modulated[w, 0] == 1
    ]
    return EventView(
        time_s=batch.time_s,
        speed_mps=signals.speed,
        supported=signals.supported,
        decel_mps2=signals.decel,
        wheels=names,
        wheel_speed_mps=batch.wheel_speed_mps,
        slip=signals.slip,
        spans=tuple(locked + modulated),
    )
