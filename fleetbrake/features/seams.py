"""Applications that run on from one portion of a long drive into the next.

A portion ends where the drive is calm, so that this happens only where nothing within its last quarter is: then the
figures are those of the first part, and its other parts are no events of their own. What lasts longer than a whole
portion is no brake application.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.criteria import Criteria
from fleetbrake.features.build import FeatureTables
from fleetbrake.recordings.batch import EventBatch, Ints
from fleetbrake.recordings.story import FileStory
from fleetbrake.recordings.stream import LONGEST_DRIVE

#: Rows of the longest application of a drive: what is read together; 1.7 hours at 50 Hz.
LONGEST_APPLICATION: Final = LONGEST_DRIVE


@dataclass
class _Last:
    """The last application of a portion: its part of the tables, its rows so far, when its newest part ends."""

    part: int
    event_id: str
    row_start: int
    rows: int
    end_us: int
    seams: int = 0


class Seams:
    """Feature tables of a file's batches, in their order, in which each application of a long drive counts once."""

    def __init__(self, criteria: Criteria, story: FileStory, longest: int = LONGEST_APPLICATION) -> None:
        self._pause_us, self._story, self._longest = round(criteria.merge_gap_s * 1e6), story, longest
        self._parts: list[FeatureTables] = []
        self._drive: tuple[str, int] | None = None  # vehicle of the portion before, and one past its last row
        self._last: _Last | None = None

    def add(self, batch: EventBatch, tables: FeatureTables) -> None:
        """Take in the next batch's tables."""
        alone = batch.continuous and batch.events == 1
        goes_on = alone and self._drive == (batch.vehicle_id[0], int(batch.row_start[0]))
        if not goes_on:
            self._close()
        self._drive = (batch.vehicle_id[0], int(batch.row_stop[0])) if alone else None
        self._parts.append(self._joined(tables) if goes_on else tables)
        rest = self._parts[-1].events
        if alone and rest.num_rows:
            self._close()
            self._last = _last_of(rest, len(self._parts) - 1)

    def finish(self) -> list[FeatureTables]:
        """All tables; what was left out is in the story."""
        self._close()
        return self._parts

    def _joined(self, tables: FeatureTables) -> FeatureTables:
        """The tables without what goes on from the portion before; as publishing tells one application from two."""
        last = self._last
        if last is None or not tables.events.num_rows:
            return tables
        onset_us, end_us = _moments(tables.events)
        first = int(np.argmin(onset_us))
        if onset_us[first] > last.end_us + self._pause_us:
            return tables
        last.end_us, last.seams = int(end_us[first]), last.seams + 1
        last.rows += tables.events["samples"][first].as_py()
        return _without(tables, tables.events["event_id"][first].as_py())

    def _close(self) -> None:
        """Nothing more of the last application comes."""
        last, self._last = self._last, None
        if last is None or not last.seams:
            return
        if last.rows <= self._longest:
            self._story.tell(
                f"application {last.event_id} goes on beyond the rows that are read together: its figures are of its "
                "first part"
            )
            return
        self._parts[last.part] = _without(self._parts[last.part], last.event_id)
        self._story.events_rejected += 1
        self._story.tell(
            f"application {last.event_id} (from row {last.row_start}) rejected: {last.rows} rows are more than a brake "
            f"application has; at most {self._longest}"
        )


def _last_of(events: pa.Table, part: int) -> _Last:
    """The application that ends last."""
    _, end_us = _moments(events)
    row = int(np.argmax(end_us))
    event_id, row_start, rows = (events[name][row].as_py() for name in ("event_id", "row_start", "samples"))
    return _Last(part, event_id, row_start, rows, int(end_us[row]))


def _moments(events: pa.Table) -> tuple[Ints, Ints]:
    """When the applications began and ended, in microseconds ``(E,)``; their first sample where that is not known."""
    started = pc.cast(events["started_at"], pa.int64()).to_numpy()
    onset_s, end_s = (pc.fill_null(events[name], 0.0).to_numpy() for name in ("onset_s", "end_s"))
    return started + np.round(onset_s * 1e6).astype(np.int64), started + np.round(end_s * 1e6).astype(np.int64)


def _without(tables: FeatureTables, event_id: str) -> FeatureTables:
    """The tables without one application."""
    return FeatureTables(
        *(rows.filter(pc.not_equal(rows["event_id"], event_id)) for rows in (tables.events, tables.wheels))
    )
