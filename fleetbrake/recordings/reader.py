"""Recording files -> :class:`EventBatch` es: opened, planned by whole events, streamed."""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, starmap
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import SPEED_SOURCES
from fleetbrake.recordings.assembly import Assembler
from fleetbrake.recordings.at_hand import AtHand, at_hand, file_sha256
from fleetbrake.recordings.batch import EventBatch
from fleetbrake.recordings.bounds import (
    MOST_LISTED,
    OPENING,
    Pages,
    check_contents,
    check_pages,
    check_rows,
    pages_of,
    probe_texts,
)
from fleetbrake.recordings.columns import text_codes
from fleetbrake.recordings.layout import Filled, Layout, contested, never_filled, resolve
from fleetbrake.recordings.long_drives import LongDrive, groups_of, long_drive, looked_at, rows_of
from fleetbrake.recordings.mapping import Mapping, identity
from fleetbrake.recordings.paths import text_path, vehicle_in_path
from fleetbrake.recordings.plan import KEY_ROWS, Group, key_column, one_group, plan_groups
from fleetbrake.recordings.sources import Source, find_recordings, source_of
from fleetbrake.recordings.story import FileStory, printable, shown_names
from fleetbrake.recordings.stream import LONGEST_DRIVE, LONGEST_EVENT, RowStream, portions

__all__ = ["FileStory", "Recording", "file_sha256", "find_recordings", "open_recording", "vehicle_in_path"]


#: Rows read at once: at 250 000 a batch's arrays stay near the processor; a million took twice the time (measured).
ROWS_PER_BATCH = 250_000

#: Wheels from which on fewer rows are taken together. Own choice: with twelve, two full batches took 0.6 GB (measured).
_WHEELS = 8
#: Rows decoded at once: what is decoded stays near the processor (measured: a million rows a time cost half more).
_DECODED_ROWS = 65_536
#: A column's pages are read through a small window, so that a row group may be of any size.
_BY_PAGES: dict[str, Any] = {"pre_buffer": False, "buffer_size": 2**16, **OPENING}
#: Rows a row group from which on, and bytes a row up to which, a text column is read as a dictionary.
_DICTIONARY_ROWS, _DICTIONARY_BYTES = 10_000, 4


@dataclass
class Recording:
    """One opened file. ``continuous`` is True if it has no ``event_id``: each vehicle's rows are one drive."""

    data: AtHand
    metadata: pq.FileMetaData
    pages: Pages
    layout: Layout
    story: FileStory
    vehicle_id: str | None
    continuous: bool
    speed_source: str | None
    wheel_floor_mps: float
    rows_per_batch: int
    _long_words: frozenset[str] = frozenset()  # text columns in which many rows may point to long texts

    @property
    def source(self) -> Source:
        """Where it lies."""
        return self.data.source

    def parquet(self, words: Sequence[str] = ()) -> pq.ParquetFile:
        """The file for decoding, ``words`` as dictionaries."""
        return pq.ParquetFile(self.data.handle, metadata=self.metadata, read_dictionary=list(words), **_BY_PAGES)

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
        with _told_of(self.story.path):
            self._check_pages()
            yield from self._stream(assembler)
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
        with _told_of(self.story.path):
            self._check_pages(start, stop)
            with self._decoder() as parquet:
                table = _slice_of_rows(parquet, start, stop, self.layout.source_columns())
            batch = assembler.batch(one_group(self.layout, self.continuous, table, start), table)
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
        with _told_of(self.story.path):
            self._check_pages(start, stop, columns)
            with self.parquet() as parquet:
                return _slice_of_rows(parquet, start, stop, columns)

    def words(self, filled: Filled) -> set[str | None]:
        """The different words of a text column, None for rows without; raises what the decoder does."""
        if filled.entry.constant is not None:
            return {str(filled.entry.constant)}
        found: set[str | None] = set()
        self._check_pages(columns=filled.sources)
        with self.parquet([*_repeating(self.metadata, self.pages, filled.sources), *self._long_words]) as parquet:
            for chunk in parquet.iter_batches(_DECODED_ROWS, columns=list(filled.sources), use_threads=False):
                codes, words = text_codes(filled, pa.Table.from_batches([chunk]))
                found.update(words[code] if code >= 0 else None for code in np.unique(codes).tolist())
        return found

    def begin(self) -> None:
        """Empty the story of what reading tells; what the opening told stays."""
        story = self.story
        story.events_rejected, story.channels_left_out = 0, list(self.layout.left_out)
        story.reasons = [printable(note) for note in self.layout.notes]
        story.vehicles, story.first_us, story.last_us = set(), None, None

    def _stream(self, assembler: Assembler) -> Iterator[EventBatch]:
        key = key_column(self.layout, self.continuous)
        columns = self.layout.source_columns(without=key.column.name if key is not None else None)
        rows = min(_DECODED_ROWS, self.rows_per_batch)
        with self._decoder() as parquet:
            plan = plan_groups(parquet, self.layout, self.continuous, self.rows_per_batch)
            stream = RowStream(parquet.iter_batches(batch_size=rows, columns=columns, use_threads=False))
            tables = chain.from_iterable(self._tables(group, stream, assembler) for group in plan)
            # unlike a loop, this keeps nothing of a portion while the next one is made
            yield from filter(None, starmap(assembler.batch, tables))

    def _tables(
        self, group: Group, stream: RowStream, assembler: Assembler
    ) -> Iterator[tuple[Group, pa.Table] | tuple[Group, pa.Table, LongDrive]]:
        """The rows of a group: at once, a long drive in portions, of a cut recording that is far too long none."""
        longest = _fewer(LONGEST_DRIVE, self.layout)
        if self.continuous and len(group.keys) == 1 and group.rows > longest:
            drive = self._long_drive(group, assembler)
            if drive is None:
                stream.skip(group.rows)
                return
            yield from ((part, table, drive) for part, table in portions(group, stream, self.layout, longest))
        elif not self.continuous and len(group.keys) == 1 and group.rows > LONGEST_EVENT:
            assembler.reject(group, f"{group.rows} rows are more than a brake application has; at most {LONGEST_EVENT}")
            stream.skip(group.rows)
        else:
            yield group, stream.take(group.rows)

    def _long_drive(self, group: Group, assembler: Assembler) -> LongDrive | None:
        """What all rows of a long drive show; None if it was rejected."""
        wrong = assembler.wrong_key(group)
        if wrong is not None:
            assembler.reject(group, wrong)
            return None
        with self._decoder() as parquet:  # its own place in the file: the rows' stream stays where it is
            tables = rows_of(parquet, group.start, group.stop, looked_at(self.layout), _DECODED_ROWS)
            drive = long_drive(self.layout, group.start, tables)
        if drive.rejected is not None:
            assembler.reject(group, drive.rejected)
            return None
        assembler.begin_drive(drive)
        return drive

    def _decoder(self) -> pq.ParquetFile:
        return self.parquet([*_repeating(self.metadata, self.pages, self.layout.word_columns()), *self._long_words])

    def _check_pages(self, start: int = 0, stop: int = 0, columns: Sequence[str] = ()) -> None:
        """InputError if decoding the rows ``[start, stop)`` (by default all) asks for more memory than may be."""
        groups = groups_of(self.metadata, start, stop)[0] if stop else range(self.metadata.num_row_groups)
        names, words = columns or self.layout.source_columns(), self.layout.texts()
        rows = min(KEY_ROWS, self.metadata.num_rows)
        texts = check_pages(self.data, self.pages, groups, names, words, rows)
        self._long_words = frozenset(texts.as_dictionary)
        if texts.to_be_probed:
            with self.parquet() as parquet:
                probe_texts(parquet, texts, rows)


@contextmanager
def _told_of(path: str) -> Iterator[None]:
    """What is wrong with a recording is told with its name, whatever a damaged file does to the decoder."""
    shown = printable(path)
    try:
        yield
    except InputError as error:
        if shown in str(error):
            raise
        raise InputError(f"{shown}: {error}") from error
    except Exception as error:  # not foreseeable
        raise _damaged(path, error) from error


def _fewer(rows: int, layout: Layout) -> int:
    """Rows that take no more memory with many wheels than ``rows`` with :data:`_WHEELS`."""
    wheels = len(layout.wheel_speeds())
    return rows if wheels <= _WHEELS else rows * _WHEELS // wheels


def _repeating(metadata: pq.FileMetaData, pages: Pages, names: Sequence[str]) -> list[str]:
    """Text columns that are worth reading as dictionaries: few different words, by what the file says of itself.

    With many different ones the decoder collects them all; in small row groups it hands on each group by itself.
    """
    if metadata.num_rows < _DICTIONARY_ROWS * metadata.num_row_groups:
        return []
    rows = metadata.row_group(0).num_rows
    return [name for name in names if pages.texts_repeat(name, rows, _DICTIONARY_BYTES)]


def _slice_of_rows(parquet: pq.ParquetFile, start: int, stop: int, columns: list[str]) -> pa.Table:
    """Rows ``[start, stop)`` of a file, decoding no other row group."""
    return pa.concat_tables(rows_of(parquet, start, stop, columns, _DECODED_ROWS))


def open_recording(
    x: str | Path | Source | AtHand,
    mapping: Mapping | None = None,
    *,
    rows_per_batch: int | None = None,
    logged_as: str | None = None,
    fingerprint: bool = True,
) -> Recording:
    """Open one Parquet recording; without a mapping it must have the contract's names and units.

    ``fingerprint`` false spares reading the whole file for its hash, where only a few rows are wanted. What was given
    :func:`~fleetbrake.recordings.at_hand.at_hand` stays open, anything else is let go with the recording.

    Raises
    ------
    InputError
        If the file cannot be used at all; the sentence names file, column, what was found and what to do.
    """
    source = x.source if isinstance(x, AtHand) else source_of(x)
    logged = logged_as or (text_path(source.path) if source.is_local else source.address)
    shown = printable(logged)
    mapping = mapping or identity()
    data = at_hand(x, whole=fingerprint, shown=shown)
    story = FileStory(path=logged, sha256=data.sha256 if fingerprint else "")
    metadata, schema = _looked_into(data, shown)
    story.rows = metadata.num_rows
    check_rows(metadata, data.facts.size, shown)
    twice = sorted(name for name, times in Counter(schema.names).items() if times > 1)
    if twice:
        raise InputError(printable(f"{shown}: column {shown_names(twice)} is there more than once"))
    pages = pages_of(data, metadata, schema, shown)
    layout = _layout_of(data, metadata, pages, mapping, schema, shown)
    story.channels = tuple(layout.filled)
    vehicle_id = vehicle_in_path(source)
    _check_needed(layout, vehicle_id, schema, shown)
    recording = Recording(
        data=data,
        metadata=metadata,
        pages=pages,
        layout=layout,
        story=story,
        vehicle_id=vehicle_id,
        continuous="event_id" not in layout.filled,
        speed_source=_speed_source(schema, mapping),
        wheel_floor_mps=mapping.reads_zero_below_mps,
        rows_per_batch=rows_per_batch or _fewer(ROWS_PER_BATCH, layout),
    )
    recording.begin()
    return recording


def _looked_into(data: AtHand, shown: str) -> tuple[pq.FileMetaData, pa.Schema]:
    """What the file says of itself."""
    if data.facts.size == 0:
        raise InputError(f"{shown}: the file is empty (0 bytes)")
    try:
        first = data.begins(4)
        contents = int.from_bytes(data.ends(8)[:4], "little")
    except (OSError, pa.ArrowException) as error:
        raise InputError(f"{shown}: cannot be read ({error})") from error
    if first == b"PARE":
        raise InputError(f"{shown}: the file is encrypted")
    begins = first == b"PAR1"
    if begins:
        check_contents(contents, data.facts.size, shown)
    try:
        with pq.ParquetFile(data.handle, **OPENING) as parquet:
            return parquet.metadata, parquet.schema_arrow
    except Exception as error:  # as in batches
        if begins and "Exceeded size limit" in str(error):
            raise InputError(
                f"{shown}: its table of contents lists more than {MOST_LISTED} columns or row groups"
            ) from error
        what = "is cut off or damaged; copy it again from its source" if begins else "is not a Parquet file"
        raise InputError(f"{shown}: the file {what}") from error


def _layout_of(
    data: AtHand, metadata: pq.FileMetaData, pages: Pages, mapping: Mapping, schema: pa.Schema, shown: str
) -> Layout:
    """Which columns fill the contract's; files with the same columns share it."""
    key = (id(mapping), tuple(schema.names), tuple(schema.types))
    known = _LAYOUTS.get(key)
    if known is not None and known[0] is mapping:
        return known[1]
    names = contested(mapping, schema.names)
    if names:  # then the file's values decide as well
        return resolve(mapping, schema, shown, _empty_columns(data, metadata, pages, names, shown))
    layout = resolve(mapping, schema, shown)
    if sum(map(len, schema.names)) > _MOST_LETTERS or any(map(pa.types.is_nested, schema.types)):
        return layout  # a recorder's columns are not so
    if len(_LAYOUTS) >= _MOST_LAYOUTS:
        _LAYOUTS.clear()
    _LAYOUTS[key] = (mapping, layout)
    return layout


#: Layouts kept, and letters of the names of one that is.
_MOST_LAYOUTS, _MOST_LETTERS = 64, 20_000
#: With the mapping itself, so that its place in memory cannot become another one's.
_LAYOUTS: dict[tuple[int, tuple[str, ...], tuple[pa.DataType, ...]], tuple[Mapping, Layout]] = {}


def _empty_columns(
    data: AtHand, metadata: pq.FileMetaData, pages: Pages, names: list[str], shown: str
) -> frozenset[str]:
    """Those of ``names`` without any value, of those that have an alternative."""
    with _told_of(shown):
        texts = check_pages(data, pages, range(metadata.num_row_groups), names, names, KEY_ROWS)
        words = list(texts.as_dictionary)
        with pq.ParquetFile(data.handle, metadata=metadata, read_dictionary=words, **_BY_PAGES) as parquet:
            probe_texts(parquet, texts, KEY_ROWS)
            return never_filled(parquet, names)


def _check_needed(layout: Layout, vehicle_id: str | None, schema: pa.Schema, shown: str) -> None:
    missing = []
    if "timestamp" not in layout.filled:
        missing.append("column timestamp is missing")
    if "vehicle_id" not in layout.filled and vehicle_id is None:
        missing.append("column vehicle_id is missing and the path has no vehicle_id=...")
    if "speed_mps" not in layout.filled and len(layout.wheel_speeds()) < 2:
        missing.append("there is neither speed_mps nor two wheel speeds (wheel_speed_1l_mps ...)")
    if missing:
        names = shown_names(schema.names)
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
