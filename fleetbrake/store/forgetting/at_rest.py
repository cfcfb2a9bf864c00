"""The rules that every row passes on its way into the store: who was forgotten, what is too old, what is held.

Without a forgotten driver and without rules of retention nothing is looked at and nothing changes.
"""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.store.ageing.retention import RetentionPolicy, aged_events, aged_register, policy
from fleetbrake.store.ageing.retention_clock import ageing_day
from fleetbrake.store.arrow import in_one
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, SPARED, Forgetter, forgotten_rows, without_texts
from fleetbrake.store.forgetting.tombstones import Tombstones, read_tombstones
from fleetbrake.store.holding.holds import Hold, active_holds, all_holds, held_events, held_rows
from fleetbrake.store.lake import DRIVER_FORGOTTEN
from fleetbrake.store.log import IngestLog, LogEntry


@dataclass(frozen=True)
class AtRest:
    """Rows as they may be kept. Rows that a hold freezes stay as they came; the published tables never show them so.

    Attributes
    ----------
    forgetter : who was forgotten.
    holds : the holds that stand.
    rules : how long what is kept; None for good.
    today : day (UTC) from which periods are counted back.
    """

    forgetter: Forgetter
    holds: tuple[Hold, ...]
    rules: RetentionPolicy | None
    today: date

    def piece(self, events: pa.Table, wheels: pa.Table) -> tuple[pa.Table, pa.Table]:
        """Events and wheels of one recording; both the very tables where nothing changes."""
        if not self.forgetter and self.rules is None:
            return events, wheels
        held = held_events(self.holds, events) if self.holds else None
        frozen = set() if held is None else set(events.column("event_id").filter(held).to_pylist())
        kept = aged_events(self._forgotten(events, held), self.rules, self.today, held)
        return kept, self._wheels(wheels, frozen)

    def events(self, table: pa.Table) -> pa.Table:
        """Events alone, as :meth:`piece`."""
        return self.piece(table, table.slice(0, 0))[0]

    def wheels(self, table: pa.Table) -> pa.Table:
        """Wheels of events that no hold freezes."""
        return self._wheels(table, set())

    def register(self, name: str, table: pa.Table) -> pa.Table:
        """Rows of a register: a forgotten driver has none, a trip keeps its kilometres and loses its driver."""
        if not self.forgetter and self.rules is None:
            return table
        held = held_rows(self.holds, name, table) if self.holds and table.num_rows else None
        if name == "drivers" and self.forgetter and table.num_rows:
            dropped = forgotten_rows(table, "driver_id", self.forgetter)
            kept = pc.invert(dropped) if held is None else pc.or_(pc.invert(dropped), held)
            table, held = table.filter(kept), None if held is None else held.filter(in_one(kept))
        return aged_register(name, self._forgotten(table, held), self.rules, self.today, held)

    def entry(self, entry: LogEntry) -> LogEntry:
        """What the log of files says of one: its path names nobody, and is still another one than any other file's."""
        path, reason = self.text(entry.path), None if entry.reason is None else self.text(entry.reason)
        return entry if (path, reason) == (entry.path, entry.reason) else replace(entry, path=path, reason=reason)

    def logged_path(self, path: str, log: IngestLog, events: pa.Table | None = None) -> str:
        """The path under which the log knows a file, or is to know it.

        It names nobody, but for a file with ``events`` that a hold freezes: its recording has to be found again.
        """
        clean = self.text(path)
        for known in (path, clean):
            if log.get(known) is not None:
                return known
        held = clean != path and events is not None and bool(self.holds)
        return path if held and pc.any(held_events(self.holds, events)).as_py() else clean

    def text(self, text: str) -> str:
        """Free text or a path."""
        return self.forgetter.text(text)

    def _forgotten(self, table: pa.Table, held: pa.BooleanArray | None) -> pa.Table:
        """The table without forgotten ids, but for rows that are held."""
        if not self.forgetter or not table.num_rows:
            return table
        cleaned = table
        for field in table.schema:
            if field.name in DRIVER_COLUMNS:
                cleaned = _without_driver(cleaned, field.name, self.forgetter)
            elif pa.types.is_string(field.type) and field.name not in SPARED:
                cleaned = without_texts(cleaned, field.name, self.forgetter)
        if held is None or cleaned is table:
            return cleaned
        return _frozen(table, cleaned, held)

    def _wheels(self, table: pa.Table, frozen: set[str]) -> pa.Table:
        if not self.forgetter or not table.num_rows:
            return table
        held = pc.is_in(table.column("event_id"), value_set=pa.array(sorted(frozen), pa.string()))
        return self._forgotten(table, in_one(held) if frozen else None)


def at_rest(store: Path, today: date | None = None) -> AtRest:
    """The rules of a store as they stand now.

    Raises
    ------
    StoreError
        The list of the forgotten, its key, the holds or the rules of retention cannot be read.
    """
    known, rules = read_tombstones(store), policy(store)
    holds = tuple(active_holds(store)) if known.stones or rules is not None else ()
    # ages are not counted from a clock that cannot be believed: what is dropped does not come back
    day = (today or datetime.now(UTC).date()) if today or rules is None else ageing_day(store).day
    return AtRest(Forgetter(known), holds, rules if day else None, day or datetime.now(UTC).date())


def for_publishing(store: Path) -> AtRest:
    """What may be published: a forgotten id is never shown, whatever is held or not yet erased."""
    known = read_tombstones(store)
    needed = known.some_left or (known.stones and any(hold.released is None for hold in all_holds(store)))
    return AtRest(Forgetter(known if needed else Tombstones()), (), None, datetime.now(UTC).date())


def _without_driver(table: pa.Table, name: str, forgetter: Forgetter) -> pa.Table:
    gone = forgotten_rows(table, name, forgetter)
    if not pc.any(gone).as_py():
        return table
    place = table.schema.get_field_index(name)
    field = table.schema.field(place)
    table = table.set_column(place, field, pc.if_else(gone, pa.scalar(None, field.type), table.column(name)))
    return _marked(table, gone) if "event_id" in table.column_names and "samples" in table.column_names else table


def _marked(events: pa.Table, gone: pa.ChunkedArray) -> pa.Table:
    """Events that say that their driver was forgotten, so that no trip names another one."""
    place = events.schema.get_field_index(DRIVER_FORGOTTEN)
    if place >= 0:
        known = pc.fill_null(events.column(place), False)
        return events.set_column(
            place, DRIVER_FORGOTTEN, pc.if_else(pc.or_(known, gone), True, pa.scalar(None, pa.bool_()))
        )
    return events.append_column(DRIVER_FORGOTTEN, pc.if_else(gone, True, pa.scalar(None, pa.bool_())))


def _frozen(table: pa.Table, cleaned: pa.Table, held: pa.BooleanArray) -> pa.Table:
    """The cleaned rows, with the held ones as they were."""
    for place, field in enumerate(cleaned.schema):
        before = table.column(field.name) if field.name in table.column_names else pa.nulls(table.num_rows, field.type)
        cleaned = cleaned.set_column(place, field, pc.if_else(held, before, cleaned.column(place)))
    return cleaned
