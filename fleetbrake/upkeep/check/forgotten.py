"""Who was forgotten: the list and its key, and nobody of it in the store again, as with an older copy put back."""

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import how_many
from fleetbrake.store.forgetting.at_rest import AtRest, at_rest
from fleetbrake.store.forgetting.erase import is_due
from fleetbrake.store.forgetting.erase_texts import entries_to_erase
from fleetbrake.store.forgetting.forgetter import forgotten_rows
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.holding.holds import held_events
from fleetbrake.store.lake import DRIVER_FORGOTTEN, PIECE_KEY, Lake
from fleetbrake.store.log import IngestLog
from fleetbrake.store.remembered import no_copy, remembered
from fleetbrake.upkeep.check.outcome import FROM_COPY, Damage, Outcome

_DRIVER = "driver_id"


def check_forgotten(store: Path, log: IngestLog | None, out: Outcome, damage: Damage) -> None:
    """The list of the forgotten and its key; without any, no row of the lake may have lost a driver to it. Nobody of
    the list is in the lake or in what people entered, but for what holds keep."""
    try:
        known = read_tombstones(store)
    except StoreError as error:
        out.wrong.add(str(error))
        return
    out.looked_at = f"{len(known.stones)} forgotten ids"
    if not known.stones:
        _check_marked(store, log, out)
        return
    try:
        if is_due(store, known):
            out.notes.add("Forgotten ids that are still to be erased are erased by the next run that writes.")
            return
        _check_back(store, log, out, damage)
    except (StoreError, sqlite3.Error, UnicodeDecodeError):
        pass  # the lake, the holds or the entries cannot be read: told by their own checks


def list_is_missed(store: Path, log: IngestLog) -> bool:
    """Whether rows of the lake tell that somebody was forgotten, nobody is on the list, and no person gave it up.

    StoreError where the list cannot be read.
    """
    return not read_tombstones(store).stones and not _given_up(store) and _marked(store, log) > 0


def _check_marked(store: Path, log: IngestLog | None, out: Outcome) -> None:
    marked = _marked(store, log) if log is not None else 0
    if not marked:
        return
    told = f"In {marked} rows of the lake a driver was forgotten, and the list of the forgotten is gone"
    if _given_up(store):
        out.notes.add(f"{told}, as a person said: whoever it was comes back with the next reading of the recordings.")
        return
    out.wrong.add(
        f"{told}: whoever it was comes back with the next reading of the recordings. {FROM_COPY.capitalize()}, with "
        f"its key; where there is none, forget them again. {no_copy('forgotten')}"
    )


def _given_up(store: Path) -> bool:
    try:
        return "forgotten" in remembered(store).parts_given_up
    except StoreError:
        return False


def _marked(store: Path, log: IngestLog) -> int:
    """Rows of the lake whose driver was forgotten; rows that cannot be read are told by the check of the pieces."""
    lake, marked = Lake(store), 0
    try:
        for batch in lake.pieces(_there(lake, log))[0].to_batches([DRIVER_FORGOTTEN]):
            marked += int(pc.sum(batch.column(0)).as_py() or 0)
    except StoreError:
        pass
    return marked


def _check_back(store: Path, log: IngestLog | None, out: Outcome, damage: Damage) -> None:
    rest = replace(at_rest(store), rules=None)
    entered = entries_to_erase(store, rest.forgetter, rest.holds)
    lake = _back_in_lake(Lake(store), log, rest) if log is not None else 0
    for count, where in ((entered, "entries of people"), (lake, "events of the lake")):
        if count:
            out.wrong.add(f"{count} {where} name drivers who were forgotten: they are of an older copy.")
            damage.forgotten = True


def _back_in_lake(lake: Lake, log: IngestLog, rest: AtRest) -> int:
    """Events that name a forgotten driver and that no hold freezes."""
    keys: set[str] = set()
    for batch in lake.pieces(_there(lake, log))[0].to_batches([_DRIVER, PIECE_KEY]):
        rows = pa.Table.from_batches([batch])
        keys.update(pc.unique(rows.column(PIECE_KEY).filter(forgotten_rows(rows, _DRIVER, rest.forgetter))).to_pylist())
    return sum(_not_held(lake.events_of(key), rest) for key in sorted(keys))


def _not_held(events: pa.Table, rest: AtRest) -> int:
    named = forgotten_rows(events, _DRIVER, rest.forgetter)
    held = how_many(pc.and_(named, held_events(rest.holds, events))) if rest.holds else 0
    return how_many(named) - held


def _there(lake: Lake, log: IngestLog) -> Sequence[str]:
    return list(filter(lake.has, log.keys()))
