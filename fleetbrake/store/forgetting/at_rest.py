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
from fleetbrake.store.arrow import how_many, in_one
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, SPARED, Forgetter, forgotten_rows, without_texts
from fleetbrake.store.forgetting.own_names import names_in_lake, own_names, own_rows
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
    doubted : the machine's clock is not believed.
    """

    forgetter: Forgetter
    holds: tuple[Hold, ...]
    rules: RetentionPolicy | None
    today: date
    doubted: bool = False

    def piece(self, events: pa.Table, wheels: pa.Table) -> tuple[pa.Table, pa.Table]:
        """Events and wheels of one recording; both the very tables where nothing changes."""
        if not self.forgetter and self.rules is None:
            return events, wheels
        rest = self.knowing(own_names(events, self.forgetter))
        held = held_events(self.holds, events) if self.holds else None
        frozen = set() if held is None else set(events.column("event_id").filter(held).to_pylist())
        kept = aged_events(rest._forgotten(events, held), self.rules, self.today, held)
        return kept, rest._wheels(wheels, frozen)

    def knowing(self, names: dict[str, str]) -> "AtRest":
        """The same rules, with names of events, trips and files of forgotten drivers that hold their ids."""
        return replace(self, forgetter=self.forgetter.with_phrases(names)) if names else self

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
        rest = self.knowing(own_names(table, self.forgetter))
        return aged_register(name, rest._forgotten(table, held), self.rules, self.today, held)

    def entry(self, entry: LogEntry) -> LogEntry:
        """What the log of files says of one: its path names nobody, and is still another one than any other file's."""
        path = self.forgetter.cell("path", entry.path)
        # the path within the sentence first, so that both have the same word in it
        reason = None if entry.reason is None else self.text(entry.reason.replace(entry.path, path))
        return entry if (path, reason) == (entry.path, entry.reason) else replace(entry, path=path, reason=reason)

    def logged_path(self, path: str, log: IngestLog) -> str:
        """The path under which the log knows a file, or is to know it as far as can be told without its events."""
        for known in self.paths(path):
            if known in log:
                return known
        return self.text(path)

    def new_path(self, path: str, events: pa.Table | None) -> str:
        """The path under which the log is to know a file that it does not know yet.

        It names nobody, but for a file with ``events`` that a hold freezes: its recording has to be found again.
        """
        own = events is not None and how_many(own_rows(events, self.forgetter)) > 0
        clean = self.paths(path)[-1] if own else self.text(path)
        held = clean != path and events is not None and bool(self.holds)
        return path if held and pc.any(held_events(self.holds, events)).as_py() else clean

    def paths(self, path: str) -> tuple[str, ...]:
        """All paths under which the log may know a file, the one of a file of a forgotten driver last."""
        if not self.forgetter:
            return (path,)
        clean = self.text(path)
        return path, clean, self.forgetter.own_name(path), self.forgetter.own_name(clean)

    def alike(self, table: pa.Table) -> int:
        """How many rows name a driver who is written like a forgotten one, or among others."""
        count = 0
        for name in sorted(DRIVER_COLUMNS & set(table.column_names)) if self.forgetter else ():
            column = table.column(name)
            alike = [one for one in pc.unique(column).to_pylist() if one is not None and self.forgetter.alike(one)]
            count += how_many(pc.is_in(column, value_set=pa.array(alike, column.type)))
        return count

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


def at_rest(store: Path, today: date | None = None, *, arriving: pa.Table | None = None) -> AtRest:
    """The rules of a store as they stand now. ``arriving``: trips, see ``holds.active_holds``.

    Raises
    ------
    StoreError
        The list of the forgotten, its key, the holds or the rules of retention cannot be read.
    """
    known, rules = read_tombstones(store), policy(store)
    holds = tuple(active_holds(store, arriving))
    # ages are not counted from a clock that cannot be believed: what is dropped does not come back
    ageing = None if today or rules is None else ageing_day(store)
    day = ageing.day if ageing is not None else today or datetime.now(UTC).date()
    doubted = ageing is not None and ageing.doubt is not None
    return AtRest(Forgetter(known), holds, rules if day else None, day or datetime.now(UTC).date(), doubted)


def for_publishing(store: Path) -> AtRest:
    """What may be published: a forgotten id is never shown, whatever is held or not yet erased."""
    known = read_tombstones(store)
    needed = known.some_left or (known.stones and any(hold.released is None for hold in all_holds(store)))
    forgetter = Forgetter(known if needed else Tombstones())
    rest = AtRest(forgetter, (), None, datetime.now(UTC).date())
    return rest.knowing(names_in_lake(store, forgetter)) if forgetter else rest


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
