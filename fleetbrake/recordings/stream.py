"""The rows of a file in order, a bounded number of them at hand, and a long drive in portions.

A drive longer than :data:`LONGEST_DRIVE` is cut where its own rows are calm, so that the same file gives the same
portions on every machine. What is learnt of a vehicle is then learnt in each portion anew.
"""

from collections import deque
from collections.abc import Iterator
from typing import Final

import numpy as np
import pyarrow as pa

from fleetbrake.recordings.batch import Floats, Ints
from fleetbrake.recordings.columns import Bools, floats, microseconds, truths
from fleetbrake.recordings.contract import WHEEL_PRESSURES, WHEEL_SPEEDS
from fleetbrake.recordings.layout import Layout
from fleetbrake.recordings.plan import Group

#: Rows of one drive that are judged together: 1.7 hours at 50 Hz. Own choice: two portions at once stay well within the
#: memory allowed (measured, some 0.6 kB a row), and hold enough applications to learn from.
LONGEST_DRIVE: Final = 300_000
#: Rows of the longest cut recording: 8 minutes at 1 kHz. Own choice: no brake application lasts so long.
LONGEST_EVENT: Final = 500_000

#: A portion ends within this last share of the rows that it could have.
_LAST_SHARE: Final = 0.25
#: More calm than this before and after (s) makes a place no better. Own choice: several times what is kept of a drive
#: around an application, and what the filters remember.
_CALM_S: Final = 15.0
#: Not calm (own choices, far below an application's onset): pedal in %, pressure above the lowest in kPa, fall of the
#: speed over a second in m/s2.
_PEDAL_PCT, _PRESSURE_KPA, _SLOWING_MPS2 = 1.0, 20.0, 0.5


class RowStream:
    """Rows of record batches, taken one after the other."""

    def __init__(self, chunks: Iterator[pa.RecordBatch], start: int = 0) -> None:
        self._chunks, self._held, self._rows = chunks, deque[pa.Table](), 0
        self._start = start

    def ahead(self, rows: int) -> pa.Table:
        """The next rows, which are not taken yet. EOFError where there are not so many."""
        while self._rows < rows:
            following = next(self._chunks, None)
            if following is None:
                raise EOFError(f"its rows end at {self._start + self._rows}")
            self._held.append(pa.Table.from_batches([following]))
            self._rows += following.num_rows
        return pa.concat_tables(self._held).slice(0, rows)

    def take(self, rows: int) -> pa.Table:
        """The next rows."""
        table = self.ahead(rows)
        self._drop(rows)
        return table

    def skip(self, rows: int) -> None:
        """Pass the next rows over, a portion at a time."""
        while rows > 0:
            self.ahead(1)
            portion = min(rows, self._rows)
            self._drop(portion)
            rows -= portion

    def _drop(self, rows: int) -> None:
        self._rows -= rows
        self._start += rows
        while rows:
            first = self._held.popleft()
            if first.num_rows > rows:
                self._held.appendleft(first.slice(rows))
            rows -= min(rows, first.num_rows)


def portions(group: Group, stream: RowStream, layout: Layout, longest: int) -> Iterator[tuple[Group, pa.Table]]:
    """One long drive in portions of at most ``longest`` rows, of about equal length."""
    start = group.start
    while start < group.stop:
        left = group.stop - start
        rows = -(-left // -(-left // longest))
        if rows < left:
            rows = calm_place(layout, stream.ahead(min(longest, left)), rows)
        yield group.part(start, start + rows), stream.take(rows)
        start += rows


def calm_place(layout: Layout, table: pa.Table, most: int) -> int:
    """How many of the rows come before the calmest place of the last quarter of the first ``most``.

    Calm is the shorter of the times since and until anything speaks of braking, over the place itself: a gap between
    two rows is calm. Of equally calm places the last counts.
    """
    least = max(1, int(most * (1.0 - _LAST_SHARE)))
    time_us, valid = microseconds(layout.filled["timestamp"], table)
    stirs = _stirs(layout, table, time_us) & valid
    stirs[np.flatnonzero(valid)[-1:]] = True  # what follows is not known
    rows = np.arange(len(stirs))
    newest = np.maximum.accumulate(np.where(stirs, rows, 0))
    next_one = np.minimum.accumulate(np.where(stirs, rows, len(rows) - 1)[::-1])[::-1]
    place = rows[least : most + 1]
    since = time_us[place] - time_us[newest[place - 1]]
    until = time_us[next_one[place]] - time_us[place - 1]
    fit = valid[place] & valid[place - 1] & (time_us[place] > time_us[place - 1])
    calm = np.where(fit, np.minimum(np.minimum(since, until), int(_CALM_S * 1e6)), -1)
    return int(place[len(calm) - 1 - np.argmax(calm[::-1])])


def _stirs(layout: Layout, table: pa.Table, time_us: Ints) -> Bools:
    """Rows in which anything speaks of braking ``(N,)``: pedal, lamp, a pressure, or a falling speed."""
    stirs = np.zeros(table.num_rows, dtype=bool)
    values = {name: _plain(layout, table, name) for name in ("brake_pedal_pct", "brake_pressure_kpa")}
    pressures = [values["brake_pressure_kpa"], *(_plain(layout, table, name) for name in WHEEL_PRESSURES.values())]
    pedal = values["brake_pedal_pct"]
    if pedal is not None:
        stirs |= pedal > _PEDAL_PCT
    for pressure in pressures:
        if pressure is not None:
            stirs |= pressure > np.fmin.reduce(pressure) + _PRESSURE_KPA
    if "brake_switch" in layout.filled:
        stirs |= truths(layout.filled["brake_switch"], table) > 0.0
    speeds = (_plain(layout, table, name) for name in ("speed_mps", *WHEEL_SPEEDS.values()))
    speed = next((one for one in speeds if one is not None), None)
    return stirs if speed is None else stirs | _slows(speed, time_us)


def _plain(layout: Layout, table: pa.Table, name: str) -> Floats | None:
    """A column's values, unless it is not there or relative to another one."""
    filled = layout.filled.get(name)
    return None if filled is None or filled.entry.relative_to is not None else floats(filled, table, {})[0]


def _slows(speed: Floats, time_us: Ints) -> Bools:
    """Where the speed falls clearly over the following second ``(N,)``."""
    later = np.minimum(np.searchsorted(time_us, time_us + 1_000_000), len(time_us) - 1)
    fall: Bools = speed - speed[later] > _SLOWING_MPS2 * np.maximum(time_us[later] - time_us, 1) / 1e6
    return fall
