"""Forgotten ids out of the lake, its log and the registers: what names one is written anew, the rest is left alone."""

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import how_many
from fleetbrake.store.files import remove_parts
from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, SPARED, Forgetter, forgotten_rows
from fleetbrake.store.holding.holds import held_events, held_rows
from fleetbrake.store.lake import PIECE_KEY, Lake, piece_key
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import replace_log
from fleetbrake.store.registers import read_register, write_register
from fleetbrake.store.unfinished import begin, settle

#: Rows that are looked at together; own choice, a few dozen megabytes.
_ROWS = 200_000


@dataclass
class ErasedRows:
    """Rows changed or dropped, by register; ``held``: rows that keep a forgotten id, by hold."""

    pieces: int = 0
    events: int = 0
    log_entries: int = 0
    registers: Counter[str] = field(default_factory=Counter)
    held: Counter[str] = field(default_factory=Counter)


def erase_lake(store: Path, rest: AtRest, done: ErasedRows) -> None:
    """Rewrite the pieces and log entries that name a forgotten id. Only for the holder of the writer's lock.

    A piece whose file's path named one gets another key, since keys are drawn from paths. A run that is killed leaves
    the log as it was, and the next one does the rest.
    """
    begin(store)
    lake, log = Lake(store), read_log(store)
    there = [key for key in (entry.key for entry in log if entry.key) if lake.has(key)]
    touched = _naming(lake, there, rest.forgetter)
    entries = [entry if _held(lake, entry, rest) else _moved(rest.entry(entry), entry) for entry in log]
    for old, new in zip(log, entries, strict=True):
        if old.key in touched or (new.key != old.key and old.key in there):
            _rewrite(lake, old.key or "", new.key or "", rest, done)
    done.log_entries = sum(new != old for old, new in zip(log, entries, strict=True))
    if done.log_entries:
        replace_log(store, entries)
    remove_parts(store / "lake")
    lake.remove_unlisted(entry.key for entry in entries if entry.key is not None)
    settle(store)


def erase_registers(store: Path, rest: AtRest, done: ErasedRows) -> None:
    """Rewrite the registers that name a forgotten id. Only for the holder of the writer's lock."""
    for name in REGISTERS:
        table = read_register(store, name)
        new = rest.register(name, table)
        for hold in rest.holds:
            named = pc.and_(_named(table, rest.forgetter), held_rows([hold], name, table))
            done.held[hold.hold_id] += how_many(named)
        if not new.equals(table):
            done.registers[name] = table.num_rows - new.num_rows or how_many(_named(table, rest.forgetter))
            write_register(store, name, new)
    remove_parts(store / "registers")


def _held(lake: Lake, entry: LogEntry, rest: AtRest) -> bool:
    """Whether the file's path names somebody and a hold freezes some of its events: its recording has to be found."""
    if (
        not rest.holds
        or rest.forgetter.cell("path", entry.path) == entry.path
        or entry.key is None
        or not lake.has(entry.key)
    ):
        return False
    return bool(pc.any(held_events(rest.holds, lake.events_of(entry.key))).as_py())


def _moved(new: LogEntry, old: LogEntry) -> LogEntry:
    """The entry with the key of its new path."""
    if new.path == old.path or old.key is None:
        return new
    return replace(new, key=piece_key(new.path, new.sha256, new.settings))


def _rewrite(lake: Lake, key: str, new_key: str, rest: AtRest, done: ErasedRows) -> None:
    events, wheels = lake.events_of(key), lake.wheels_of(key)
    named = _named(events, rest.forgetter)
    new_events, new_wheels = rest.piece(events, wheels)
    frozen = 0
    for hold in rest.holds:
        count = how_many(pc.and_(named, held_events([hold], events)))
        done.held[hold.hold_id] += count
        frozen += count
    if key == new_key and new_events.equals(events) and new_wheels.equals(wheels):
        return
    lake.write_piece(new_key, new_events.drop_columns(PIECE_KEY), new_wheels.drop_columns(PIECE_KEY), wheels_first=True)
    done.pieces += 1
    done.events += max(0, how_many(named) - frozen)


def _naming(lake: Lake, keys: list[str], forgetter: Forgetter) -> set[str]:
    """Keys of the pieces in which a column names a forgotten id, wheels among them."""
    found: set[str] = set()
    for dataset in lake.pieces(keys):
        columns = [field.name for field in dataset.schema if _looked_at(field)]
        for batch in dataset.to_batches(columns=[*columns, PIECE_KEY], batch_size=_ROWS):
            table = pa.Table.from_batches([batch])
            found |= set(pc.unique(table.column(PIECE_KEY).filter(_named(table, forgetter))).to_pylist())
    return found


def _named(table: pa.Table, forgetter: Forgetter) -> pa.BooleanArray:
    """Which rows hold a forgotten id in any column."""
    named = pa.array([False] * table.num_rows, pa.bool_())
    for column in table.schema:
        if column.name in DRIVER_COLUMNS:
            named = pc.or_(named, forgotten_rows(table, column.name, forgetter))
        elif _looked_at(column):
            texts = (one for one in pc.unique(table.column(column.name)).to_pylist() if one is not None)
            gone = pa.array(list(forgetter.texts(texts, column.name)), pa.string())
            named = pc.or_(named, pc.is_in(table.column(column.name), value_set=gone))
    return named.combine_chunks() if isinstance(named, pa.ChunkedArray) else named


def _looked_at(column: pa.Field) -> bool:
    return pa.types.is_string(column.type) and column.name not in SPARED
