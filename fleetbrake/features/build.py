"""``features(batch)``: the one way from samples to rows."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.detection import applications
from fleetbrake.features import between
from fleetbrake.features.arrow import event_table, wheel_table
from fleetbrake.features.event_facts import event_facts
from fleetbrake.features.phases import Phases, phases
from fleetbrake.features.signals import Signals, derive
from fleetbrake.features.wheels import WheelFacts, wheel_facts
from fleetbrake.kinematics.vehicle_known import Told
from fleetbrake.recordings.batch import EventBatch

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class FeatureTables:
    """``events``: a row an event; ``wheels``: a row an event and recorded wheel. Columns: ``store.lake_schema``."""

    events: pa.Table
    wheels: pa.Table


def cut_applications(batch: EventBatch, criteria: Criteria = DEFAULT) -> EventBatch:
    """The brake applications of whole drives as a batch of cut events; ids follow from vehicle and onset.

    The same drive read twice, or as two files, gives the same ids. Returns an empty batch if nobody braked.
    """
    return _cut(batch, criteria)[0]


def _cut(batch: EventBatch, criteria: Criteria) -> tuple[EventBatch, between.Between]:
    """The applications of whole drives, and what the wheels' signals did between them."""
    signals = derive(batch, criteria, cut=False)
    cuts = applications.cut_drives(
        time_s=batch.time_s,
        offsets=batch.offsets,
        wanted=signals.demand,
        speed_mps=signals.speed,
        criteria=criteria,
    )
    events = batch.take(cuts.start, cuts.stop, cuts.parent)
    onset_us = batch.start_us[cuts.parent] + np.round(batch.time_s[cuts.onset] * 1e6).astype(np.int64)
    stamps = np.datetime_as_string(onset_us.astype("datetime64[us]").astype("datetime64[ms]"))
    events.event_id[:] = events.vehicle_id.astype(str).astype(object) + " " + stamps.astype(object) + "Z"
    return events, between.in_drives(batch, signals, cuts, criteria)


def judge(
    batch: EventBatch, criteria: Criteria, *, cut: bool, told: Told | None = None
) -> tuple[Signals, Phases, WheelFacts]:
    """What is derived per sample, the phases, and the wheels' facts: the steps that rows and views share."""
    signals = derive(batch, criteria, cut=cut, told=told)
    found = phases(batch, signals, criteria)
    return signals, found, wheel_facts(batch, signals, found, criteria)


def features(batch: EventBatch, criteria: Criteria = DEFAULT) -> FeatureTables:
    """Feature rows of a batch: cut recordings as they are, drives after their brake applications were cut out."""
    drive = batch.continuous
    rolling = None
    if drive and batch.samples:
        batch, rolling = _cut(batch, criteria)
    signals, found, wheels = judge(batch, criteria, cut=not drive)
    rolling = rolling or between.in_recordings(batch, signals, criteria)
    facts = event_facts(batch, signals, found, wheels, criteria)
    return FeatureTables(
        event_table(batch, signals, found, wheels, facts, continuous=drive),
        wheel_table(batch, signals, found, wheels, facts, rolling),
    )
