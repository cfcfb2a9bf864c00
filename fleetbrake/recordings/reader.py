"""Recording files -> :class:`EventBatch` es: opened, planned by whole events, streamed."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import SPEED_SOURCES
from fleetbrake.recordings.assembly import Assembler
from fleetbrake.recordings.batch import EventBatch
from fleetbrake.recordings.layout import Layout, contested, never_filled, resolve
from fleetbrake.recordings.mapping import Mapping, identity
from fleetbrake.recordings.paths import file_sha256, find_recordings, opened_parquet, text_path, vehicle_in_path
from fleetbrake.recordings.plan import Group, one_group, plan_groups
from fleetbrake.recordings.story import FileStory, printable

__all__ = ["FileStory", "Recording", "file_sha256", "find_recordings", "open_recording", "vehicle_in_path"]


#: Rows read at once: at 250 000 a batch's arrays stay near the processor; a million took twice the time (measured).
ROWS_PER_BATCH = 250_000


@dataclass
class Recording:
    """One opened file. ``continuous`` is True if it has no ``event_id``: each vehicle's rows are one drive."""

    file: Path
    layout: Layout
    story: FileStory
    vehicle_id: str | None
    continuous: bool
    speed_source: str | None
    wheel_floor_mps: float
    rows_per_batch: int

    def batches(self) -> Iterator[EventBatch]:
        """Batches of whole events, about ``rows_per_batch`` rows each; an event is never split over two.

        Raises
        ------
        InputError
            If the file turns out to be damaged, or its speeds and wheel speeds to be in different units.
        """
        self.begin()
        assembler = Assembler(
            self.layout, self.story, self.vehicle_id, self.continuous, self.speed_source, self.wheel_floor_mps
        )
        try:
            with opened_parquet(self.file, self.layout.word_columns()) as parquet:
                yield from self._stream(parquet, assembler)
        except InputError:
            raise
        except Exception as error:  # what a damaged file does to the decoder is not foreseeable
            raise _damaged(self.story.path, error) from error
        assembler.finish()

    def rows(self, start: int, stop: int) -> EventBatch:
        """The recording's rows ``[start, stop)`` alone, as one event; only the row groups they lie in are read.

        Raises
        ------
        InputError
            If the file has no such rows, they belong to more than one event, or they cannot be used.
        """
        self.begin()
        assembler = Assembler(
            self.layout, self.story, self.vehicle_id, self.continuous, self.speed_source, self.wheel_floor_mps
        )
        try:
            with opened_parquet(self.file, self.layout.word_columns()) as parquet:
                table = _slice_of_rows(parquet, start, stop, self.layout.source_columns())
            batch = assembler.batch(one_group(self.layout, self.continuous, table, start), table)
        except InputError:
            raise
        except Exception as error:  # as in batches
            raise _damaged(self.story.path, error) from error
        if batch is None:
            raise InputError(f"{printable(self.story.path)}: rows {start} to {stop - 1} hold no event any more")
        return batch

    def table(self, start: int, stop: int, columns: list[str]) -> pa.Table:
        """The rows ``[start, stop)`` of some source columns as they stand in the file.

        Raises
        ------
        InputError
            If the file has no such rows or columns, or they cannot be decoded.
        """
        try:
            with opened_parquet(self.file) as parquet:
                return _slice_of_rows(parquet, start, stop, columns)
        except InputError:
            raise
        except Exception as error:  # as in batches
            raise _damaged(self.story.path, error) from error

    def begin(self) -> None:
        """Empty the story of what reading tells; what the opening told stays."""
        story = self.story
        story.events_rejected, story.channels_left_out = 0, list(self.layout.left_out)
        story.reasons = [printable(note) for note in self.layout.notes]
        story.vehicles, story.first_us, story.last_us = set(), None, None

    def _stream(self, parquet: pq.ParquetFile, assembler: Assembler) -> Iterator[EventBatch]:
        plan = plan_groups(parquet, self.layout, self.continuous, self.rows_per_batch)
        columns = self.layout.source_columns()
        chunks = parquet.iter_batches(batch_size=self.rows_per_batch, columns=columns, use_threads=False)
        for group, table in _whole_groups(plan, chunks):
            batch = assembler.batch(group, table)
            if batch is not None:
                yield batch


def _slice_of_rows(parquet: pq.ParquetFile, start: int, stop: int, columns: list[str]) -> pa.Table:
    """Rows ``[start, stop)`` of a file, decoding no other row group."""
    ends = np.cumsum([parquet.metadata.row_group(i).num_rows for i in range(parquet.num_row_groups)])
    if not 0 <= start < stop or not len(ends) or stop > ends[-1]:
        raise InputError("the file has fewer rows than this event needs")
    first, last = np.searchsorted(ends, (start, stop - 1), side="right")
    before = int(ends[first - 1]) if first else 0
    table = parquet.read_row_groups(list(range(first, last + 1)), columns=columns, use_threads=False)
    return table.slice(start - before, stop - start)


def _whole_groups(groups: Iterable[Group], chunks: Iterator[pa.RecordBatch]) -> Iterator[tuple[Group, pa.Table]]:
    """The rows of every group as one table; rows beyond it wait for the next group."""
    held: pa.Table | None = None
    start = 0
    for group in groups:
        parts = [] if held is None else [held]
        rows = sum(part.num_rows for part in parts)
        while start + rows < group.stop:
            following = next(chunks, None)
            if following is None:
                raise EOFError(f"its rows end at {start + rows}")
            chunk = pa.Table.from_batches([following])
            parts.append(chunk)
            rows += chunk.num_rows
        table = pa.concat_tables(parts)
        held = table.slice(group.stop - start)
        start = group.stop
        yield group, table.slice(0, group.rows)


def open_recording(
    path: Path,
    mapping: Mapping | None = None,
    *,
    rows_per_batch: int = ROWS_PER_BATCH,
    logged_as: str | None = None,
    fingerprint: bool = True,
) -> Recording:
    """Open one Parquet recording; without a mapping it must have the contract's names and units.

    ``fingerprint`` false spares reading the whole file for its hash, where only a few rows are wanted.

    Raises
    ------
    InputError
        If the file cannot be used at all; the sentence names file, column, what was found and what to do.
    """
    logged = logged_as or text_path(path)
    shown = printable(logged)
    mapping = mapping or identity()
    story = FileStory(path=logged, sha256=file_sha256(path, shown) if fingerprint else "")
    schema, story.rows = _looked_into(path, shown)
    if story.rows < 1:
        raise InputError(f"{shown}: the file has no rows")
    if len(set(schema.names)) != len(schema.names):
        twice = sorted({name for name in schema.names if schema.names.count(name) > 1})
        raise InputError(printable(f"{shown}: column {', '.join(twice)} is there more than once"))
    layout = resolve(mapping, schema, shown, _empty_columns(path, mapping, schema, shown))
    story.channels = tuple(layout.filled)
    vehicle_id = vehicle_in_path(path)
    _check_needed(layout, vehicle_id, schema, shown)
    recording = Recording(
        file=path,
        layout=layout,
        story=story,
        vehicle_id=vehicle_id,
        continuous="event_id" not in layout.filled,
        speed_source=_speed_source(schema, mapping),
        wheel_floor_mps=mapping.reads_zero_below_mps,
        rows_per_batch=rows_per_batch,
    )
    recording.begin()
    return recording


def _looked_into(path: Path, shown: str) -> tuple[pa.Schema, int]:
    """Schema and number of rows."""
    try:
        if path.stat().st_size == 0:
            raise InputError(f"{shown}: the file is empty (0 bytes)")
        with path.open("rb") as handle:
            begins = handle.read(4) == b"PAR1"
    except OSError as error:
        raise InputError(f"{shown}: cannot be read ({error.strerror})") from error
    try:
        with opened_parquet(path) as parquet:
            return parquet.schema_arrow, parquet.metadata.num_rows
    except Exception as error:  # as in batches
        what = "is cut off or damaged; copy it again from its source" if begins else "is not a Parquet file"
        raise InputError(f"{shown}: the file {what}") from error


def _empty_columns(path: Path, mapping: Mapping, schema: pa.Schema, shown: str) -> frozenset[str]:
    """Source columns without any value, of those that have an alternative."""
    names = contested(mapping, schema.names)
    if not names:
        return frozenset()
    try:
        with opened_parquet(path) as parquet:
            return never_filled(parquet, names)
    except Exception as error:  # as in batches
        raise _damaged(shown, error) from error


def _check_needed(layout: Layout, vehicle_id: str | None, schema: pa.Schema, shown: str) -> None:
    missing = []
    if "timestamp" not in layout.filled:
        missing.append("column timestamp is missing")
    if "vehicle_id" not in layout.filled and vehicle_id is None:
        missing.append("column vehicle_id is missing and the path has no vehicle_id=...")
    if "speed_mps" not in layout.filled and len(layout.wheel_speeds()) < 2:
        missing.append("there is neither speed_mps nor two wheel speeds (wheel_speed_1l_mps ...)")
    if missing:
        names = ", ".join(schema.names[:12]) + (" ..." if len(schema.names) > 12 else "")
        told = "; ".join([*missing, *layout.notes])
        raise InputError(printable(f"{shown}: {told}. Found: {names}. Other names come in with a mapping file"))


def _speed_source(schema: pa.Schema, mapping: Mapping) -> str | None:
    """The file's own word, else the mapping's; an unknown word counts as not said."""
    said = (schema.metadata or {}).get(b"speed_source", b"").decode("utf-8", "replace").strip().lower()
    return said if said in SPEED_SOURCES else mapping.speed_source


def _damaged(shown: str, error: Exception) -> InputError:
    if isinstance(error, UnicodeDecodeError):
        return InputError(printable(f"{shown}: an identifier or word column holds text that is not UTF-8"))
    line = (str(error).splitlines() or [""])[0][:200] or type(error).__name__
    return InputError(printable(f"{shown}: the file is damaged inside ({line})"))
