"""The log and the index made again from what is left of the lake and of the published file."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import read_parquet
from fleetbrake.store.holding.held_manifest import HeldFile, read_manifest, with_copies
from fleetbrake.store.lake import EVENTS_SCHEMA, PIECE_KEY, WHEELS_SCHEMA, Lake, piece_key
from fleetbrake.store.lake_blocks import EVENTS_HALF, INDEX_SCHEMA, WHEELS_HALF, Blocks, rows_of
from fleetbrake.store.log import LOG_SCHEMA, NOT_KNOWN, LogEntry, read_log
from fleetbrake.store.log_copy import published_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.log_writing import write_log
from fleetbrake.store.readings import LACKING, NAMED, in_state, listed, replaced
from fleetbrake.store.remembered import remembered
from fleetbrake.upkeep.check.log_and_index import broken_seal

#: Takes a file out of use.
Aside = Callable[[Path], None]

_REASON: Final = (
    "The log was damaged and made again from the rows that were in: what of this file was rejected is not known until "
    "it is read again"
)


@dataclass(frozen=True)
class LogAgain:
    """How many files of the log came from the published copy, and from rows alone; rows that could not be placed."""

    copied: int
    from_rows: int
    left_out: int


def make_index(store: Path, aside: Aside) -> int:
    """Make the index again from the blocks, each written anew; number of pieces. Blocks that are damaged go aside.

    A run that is killed leaves the old blocks, and the next one does all of it.
    """
    blocks, taken, rows = Blocks(store / "lake"), set[str](), [INDEX_SCHEMA.empty_table()]
    for events, wheels in _readable(store, aside):
        found = set(pc.unique(events.column(PIECE_KEY)).to_pylist()) | set(
            pc.unique(wheels.column(PIECE_KEY)).to_pylist()
        )
        keys = sorted(found - taken)
        if keys:
            taken |= found
            rows.append(blocks.write_new(keys, rows_of(events, PIECE_KEY, keys), rows_of(wheels, PIECE_KEY, keys)))
    blocks.write_index(pa.concat_tables(rows))
    blocks.remove_unnamed()
    return len(taken)


def _readable(store: Path, aside: Aside) -> Iterator[tuple[pa.Table, pa.Table]]:
    """Rows of each whole block, the newest first: of a piece that stands in two, the older rows do not count."""
    folder = store / "lake" / "blocks"
    names = {path.name.split(".", 1)[0]: path.stat().st_mtime_ns for path in folder.glob("*.parquet")}
    for name in sorted(names, key=lambda one: (-names[one], one)):
        tables = []
        paths = [folder / f"{name}.{half}.parquet" for half in (EVENTS_HALF, WHEELS_HALF)]
        for path, schema in zip(paths, (EVENTS_SCHEMA, WHEELS_SCHEMA), strict=True):
            try:
                if not path.is_file() or broken_seal(path):
                    raise StoreError(f"{path} is damaged")
                tables.append(read_parquet(path, schema, "feature rows"))
            except StoreError:
                break
        if len(tables) == len(paths):
            yield tables[0], tables[1]
            continue
        for path in paths:
            if path.is_file():
                aside(path)


def make_log(store: Path, aside: Aside) -> LogAgain:
    """Make the log again: what is left of it, its copy in the published file, and what the rows of the others say.

    Files whose rows are nowhere are named by it, as they would be if the rows alone had been lost.
    """
    lake, readings = Lake(store), _held_readings(store)
    there = set(lake.stamps().column("key").to_pylist())
    copied, lost = _what_is_left(store, pa.array(sorted(there), pa.string()))
    paths = set(copied.column("path").to_pylist())
    entries: dict[str, LogEntry] = {}
    left_out = 0
    for key in sorted(there - set(copied.column("key").to_pylist()), key=lambda one: (_age(lake, one), one)):
        entry = _entry(lake, key, readings.get(key))
        if entry is None or entry.path in paths or entry.path in entries:
            left_out += 1
            for path in lake.files_of(key):
                if path.is_file():
                    aside(path)
            continue
        entries[entry.path] = entry
    rows = pa.Table.from_pylist([asdict(entry) for entry in entries.values()], schema=LOG_SCHEMA)
    lost = lost.filter(pc.invert(pc.is_in(lost.column("path"), pa.array([*paths, *entries], pa.string()))))
    write_log(store, pa.concat_tables([copied, rows, lost]), made_again=True)
    return LogAgain(copied.num_rows, len(entries), left_out)


def _what_is_left(store: Path, there: pa.Array) -> tuple[pa.Table, pa.Table]:
    """Entries of the log as far as it can be read and of its published copy, a path's newest: those whose rows are
    there, and those whose rows are nowhere."""
    left = LOG_SCHEMA.empty_table()
    with suppress(StoreError):
        left = published_log(store, LOG_SCHEMA)
    with suppress(StoreError):
        if log_path(store).is_file() and not broken_seal(log_path(store)):
            left = pa.concat_tables([left, read_log(store).table()])
    known = None
    with suppress(StoreError):
        known = listed(store, remembered(store).writings.get("log", 0))
    if known is not None:  # rows of changed bytes that were read since are no older ones
        left = left.filter(pc.invert(replaced(left, in_state(known, NAMED, LACKING), there)))
    whole = pc.or_(pc.is_null(left.column("key")), pc.is_in(left.column("key"), value_set=there))
    return _newest(left.filter(whole)), _newest(left.filter(pc.invert(whole)))


def _newest(left: pa.Table) -> pa.Table:
    left = left.take(pc.sort_indices(left, [("path", "ascending"), ("loaded_at", "descending")]))
    paths = left.column("path").to_pylist()
    return left.filter(
        pa.array([place == 0 or path != paths[place - 1] for place, path in enumerate(paths)], pa.bool_())
    )


def _age(lake: Lake, key: str) -> int:
    """Greater for older rows; those of a block come after all that stand alone."""
    path = lake.files_of(key)[0]
    return -path.stat().st_mtime_ns if path.is_file() else 0


def _held_readings(store: Path) -> dict[str, HeldFile]:
    """Readings of which a hold has noted the file's bytes, by the key that follows from path, bytes and settings."""
    found: dict[str, HeldFile] = {}
    for hold_id in with_copies(store):
        with suppress(StoreError):  # a list that is damaged is told by whoever looks at it
            for item in read_manifest(store, hold_id).files:
                if item.read_sha256:
                    found[piece_key(item.path, item.read_sha256, item.settings)] = item
    return found


def _entry(lake: Lake, key: str, held: HeldFile | None) -> LogEntry | None:
    """What the rows of a piece say of their file, and the list of a hold of its bytes; None where the rows cannot be
    read or name none."""
    try:
        rows = lake.events_of(key, ["source_path", "started_at", "vehicle_id"])
    except StoreError:
        return None
    paths = [path for path in pc.unique(rows.column("source_path")).to_pylist() if path is not None]
    if len(paths) != 1:
        return None
    moments = pc.min_max(rows.column("started_at")).as_py()
    return LogEntry(
        path=paths[0],
        # "": of no file: it is read again when it is named again, and stays as it is otherwise
        sha256="" if held is None else held.read_sha256,
        settings=NOT_KNOWN,
        key=key,
        status="partly_loaded",
        events=rows.num_rows,
        reason=_REASON,
        loaded_at=datetime.now(UTC),
        vehicles=pc.count_distinct(rows.column("vehicle_id")).as_py(),
        first_at=moments["min"],
        last_at=moments["max"],
        size=held.size if held is not None and held.sha256 == held.read_sha256 else None,
    )
