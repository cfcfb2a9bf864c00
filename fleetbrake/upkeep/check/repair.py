"""Repairing a store: what can be made again is, what is damaged is put aside, and what people gave is never touched.

Every step can be broken off and made again: a file goes aside before anything that named it is changed, and each file
is replaced as a whole.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.store.ageing.retention_published import drop_old_days, is_pending, note_published
from fleetbrake.store.arriving import remove_left
from fleetbrake.store.aside import Aside
from fleetbrake.store.database import database_path, reading, rebuilding, remove_leftovers
from fleetbrake.store.files import remove_parts
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.forgetting.erase import erase_forgotten
from fleetbrake.store.forgetting.erase_lake import ErasedRows, erase_lake
from fleetbrake.store.forgetting.own_names import names_in_lake
from fleetbrake.store.holding.held_again import damaged_aside, list_copies
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.holding.held_manifest import HELD_FOLDER, read_from_copies
from fleetbrake.store.lake import Lake
from fleetbrake.store.lake_blocks import EVENTS_HALF, INDEX_SCHEMA, WHEELS_HALF, Blocks
from fleetbrake.store.log import IngestLog, read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.log_writing import take_up_log, write_log
from fleetbrake.store.publish import PUBLISHING_MEMORY, publish_recordings
from fleetbrake.store.recount import RECOUNTED
from fleetbrake.store.remembered import no_copy
from fleetbrake.store.schema import declared_columns, quoted
from fleetbrake.store.sealed import SET_ASIDE
from fleetbrake.store.secret_key import key_mode
from fleetbrake.store.unfinished import settle, unexplained
from fleetbrake.upkeep.check import log_and_index
from fleetbrake.upkeep.check.lake_again import make_index, make_log
from fleetbrake.upkeep.check.outcome import Checked, Damage, Outcome
from fleetbrake.upkeep.check.pieces import check_pieces
from fleetbrake.upkeep.check.published import ONLY_HERE
from fleetbrake.upkeep.check.sources_there import still_there

#: Without these it is not known what may be shown or must stay, so that nothing is repaired.
_FIRST: Final = ("forgotten", "holds", "retention")
#: What nothing makes again.
_KEPT: Final = ("key files", "registers", "entries", "runs", "mappings")
#: Files that a sentence names; own choice.
_MOST_NAMED: Final = 20


class Repair:
    """One repair. Only for the holder of the writer's lock."""

    def __init__(self, store: Path, found: Checked) -> None:
        self.store, self.found, self.damage = store, found, found.damage
        self.mended: list[str] = []
        self.not_mended: list[str] = []
        self._aside = Aside(store)

    def run(self) -> None:
        """All that can be done."""
        unknown = [one for one in self.found.outcomes if one.name in _FIRST and _only_sentences(one, self.damage)]
        if unknown:
            self.not_mended.append("Nothing was repaired: what was forgotten or is held is not known. Mend that first.")
            return
        self._keys()
        lost_rows = self._lake()
        self._left_overs()
        self._copies()
        held_back = self._held_back()
        if self.damage.publish and held_back:
            self.not_mended.append(f"Nothing was published anew, since rows would be lost: {held_back}")
        elif self.damage.publish:
            self._publish(keep=lost_rows)
        elif self.damage.unnamed:
            self.not_mended.append(f"{len(self.damage.unnamed)} recordings are published alone: {held_back}")
        if self.damage.forgotten:
            erase_forgotten(self.store, anew=True)
            self.mended.append("Forgotten drivers were taken out of the store once more.")
        scored = sorted(self.damage.rules & ONLY_HERE)
        if scored:
            self.not_mended.append(
                f"{', '.join(scored)}: `fleetbrake score --as-of DAY` and `plan` make the rows of a day anew."
            )
        changed = sorted(self.damage.changed - self.damage.rules)
        if changed:
            self.not_mended.append(
                f"{', '.join(changed)}: nothing tells which rows were changed. Put fleet.duckdb back from a copy of "
                "the store, or make the rows of the days that count anew: `fleetbrake score --as-of DAY` and `plan`. "
                f"{no_copy('scores')}"
            )
        for one in self.found.outcomes:
            keys = len(self.damage.keys) if one.name == "key files" else 0
            if one.name in _KEPT and one.wrong.count > keys:
                self.not_mended.append(f"{one.name}: nothing that is left makes this again; see above.")

    def _held_back(self) -> str | None:
        """Why publishing would lose rows; None if it would not, or if what is published cannot be used anyway."""
        bare = [one.name for one in self.found.outcomes if one.name in ("registers", "entries") and one.wrong.count]
        if bare:
            return f"mend {' and '.join(bare)} first."
        if (self.damage.gone or self.damage.unnamed) and not self._worn():
            return "read the recordings again that the log does not name any more. What is published stays until then."
        return None

    def _worn(self) -> bool:
        """Whether what is published cannot stay as it is."""
        return bool(self.damage.database or self.damage.tables or self.damage.types)

    def _keys(self) -> None:
        for name in self.damage.keys:
            path = self.store / name
            path.chmod(key_mode(self.store, path.stat().st_gid))
            self.mended.append(f"{name} can be read by those alone again who may.")

    def _lake(self) -> bool:
        """Index, log and pieces; whether rows are lost of which no recording is left."""
        if self.damage.index:
            self.damage.publish = True  # fingerprints of blocks that were written anew are others
            self._aside.copy(self.store / "lake" / "blocks.parquet")
            count = make_index(self.store, self._aside.move)
            self.mended.append(f"The index of the blocks was made again: {count} pieces.")
            if not self.damage.log:  # what blocks hold was not known before
                self.damage.log = unexplained(self.store, read_log(self.store)) is not None
        if self.damage.log:
            self._aside.copy(log_path(self.store))
            again = make_log(self.store, self._aside.move)
            self.damage.publish = True
            self.mended.append(
                f"The log was made again: {again.copied} files as they were published, {again.from_rows} from their "
                f"rows alone, {again.left_out} pieces put aside. Name all recordings to the next ingest: it reads "
                "those whose bytes the log does not know."
            )
        if self.damage.readings:
            take_up_log(self.store)
            self.mended.append("The list of what the log names was made again.")
        anew = self.damage.log or self.damage.index
        if anew:
            self._look_again()
        lost = self._pieces()
        if anew or self.damage.forgotten:
            self._forget_again()
        return lost

    def _forget_again(self) -> None:
        """Rows of before a driver was forgotten may have come back with an older block."""
        rest = replace(at_rest(self.store), rules=None)
        if rest.forgetter:
            rest = rest.knowing(names_in_lake(self.store, rest.forgetter))
            erase_lake(self.store, rest, ErasedRows())

    def _look_again(self) -> None:
        """Pieces could not be looked at without log and index."""
        damage, out = Damage(), Outcome("pieces")
        log = log_and_index.check_log(self.store, out, damage)
        index = log_and_index.check_index(self.store, log, out, damage)
        if log is None or index is None:
            raise StoreError(f"{self.store}: the log and the index of the lake could not be made again.")
        check_pieces(self.store, log, index, out, damage)
        self.damage.gone, self.damage.alone, self.damage.blocks = damage.gone, damage.alone, damage.blocks

    def _pieces(self) -> bool:
        """Damaged pieces go aside, and their files out of the log."""
        if not self.damage.gone:
            return False
        log, lake, blocks = read_log(self.store), Lake(self.store), Blocks(self.store / "lake")
        missing = [entry for entry in log if entry.key in self.damage.gone]
        for key in sorted(self.damage.alone):
            self._all_aside(lake.files_of(key))
        for block in sorted(self.damage.blocks):
            self._all_aside([blocks.path(block, half) for half in (EVENTS_HALF, WHEELS_HALF)])
        blocks.write_index(_without_blocks(self.store, self.damage.blocks))
        write_log(self.store, _without_keys(log, self.damage.gone))
        until = "" if self._worn() else "; what is published stays as it is until then"
        self.mended.append(
            f"{len(missing)} files whose rows are damaged or gone left the log. The next ingest of these recordings "
            "reads them again (give --mapping where they were read with one)"
            f"{until}: {_some([entry.path for entry in missing])}."
        )
        lost = [entry.path for entry in missing if not still_there(entry.path)]
        if lost:
            self._aside.copy(database_path(self.store))
            self.not_mended.append(
                f"{len(lost)} of these recordings are not there any more: {_some(lost)}. Put them, or the store, back "
                f"from a copy. {read_from_copies(self.store, lost)}Their published rows are in "
                f"{SET_ASIDE}/{self._aside.folder.name}/{database_path(self.store).name}, "
                "and in the published file until `fleetbrake check --lost-for-good recordings`."
            )
        return bool(lost)

    def _all_aside(self, paths: Sequence[Path]) -> None:
        for path in paths:
            if path.is_file():
                self._aside.move(path)

    def _left_overs(self) -> None:
        before = _number_of_files(self.store)
        remove_leftovers(self.store)
        self.not_mended += remove_left(self.store)
        for folder in (self.store, *(one for one in self.store.rglob("*") if one.is_dir())):
            if SET_ASIDE not in folder.relative_to(self.store).parts:
                remove_parts(folder)
        for path in self.store.glob("*.key.????????"):
            path.unlink(missing_ok=True)
        take_up_log(self.store)  # first: rows that no log names yet tell what came of a run that was killed
        Lake(self.store).remove_unlisted(read_log(self.store).keys())
        settle(self.store)
        removed = before - _number_of_files(self.store)
        if removed > 0:
            self.mended.append(f"{removed} files that runs left that were ended were removed.")

    def _copies(self) -> None:
        """Copies for holds that have other bytes go aside and are made again where their bytes are to be had."""
        if not (self.damage.copies or self.damage.lists or self.damage.left):
            return
        damaged_aside(self.store)
        for hold_id, name in self.damage.copies:
            self._all_aside([self.store / HELD_FOLDER / hold_id / name])
        copied = copy_held(self.store)
        more = list_copies(self.store, read_log(self.store), self._aside.move)
        if more:
            self.mended.append(f"{more} copies of held recordings that no list named were put into the list again.")
        if not (self.damage.copies or self.damage.lists):
            return
        self.not_mended += [f"{one.hold_id}: {sentence}" for one in copied for sentence in one.sentences]
        self.mended.append("Copies of held recordings were made again where their bytes are still to be had.")

    def _publish(self, *, keep: bool) -> None:
        """Publish all anew; what only the published file has comes over from it, as far as it can be read."""
        lost = [name for name in sorted(ONLY_HERE) if self.damage.database or name in self.damage.tables]
        if not keep:
            self._aside.copy(database_path(self.store))
        there = database_path(self.store).is_file()  # one that is gone may be in a copy, with its scores
        empty = there and (self.damage.database or bool(self.damage.tables or self.damage.types))
        pending = is_pending(self.store)
        try:
            with rebuilding(self.store, memory_limit=PUBLISHING_MEMORY, fresh=pending, empty=empty) as con:
                if empty and not self.damage.database:
                    _take_over(con, self.store, self.damage.tables)
                publish_recordings(con, self.store, anew=True)
                if pending:
                    drop_old_days(con, self.store)
        except StoreError as error:
            self.not_mended.append(f"The published file could not be made anew: {error}")
            return
        note_published(self.store)
        told = "The published file was made anew from the lake and the registers"
        if lost:
            told += f"; empty are {', '.join(lost)}: run `fleetbrake score` and `plan`. Of days gone by nothing is left"
        self.mended.append(f"{told}.")


def _some(paths: Sequence[str]) -> str:
    """The first of the paths for a sentence."""
    more = len(paths) - _MOST_NAMED
    return ", ".join(paths[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _only_sentences(one: Outcome, damage: Damage) -> bool:
    """Whether a check says more than what can be repaired."""
    repairable = len(damage.copies) + damage.lists if one.name == "holds" else 0
    repairable = one.wrong.count if one.name == "forgotten" and damage.forgotten else repairable
    return one.wrong.count > repairable


def _without_blocks(store: Path, damaged: set[str]) -> pa.Table:
    """Rows of the index of the blocks that are there and not damaged."""
    index = Blocks(store / "lake").index()
    gone = pc.is_in(index.column("block"), value_set=pa.array(sorted(damaged), pa.string()))
    return pa.concat_tables([INDEX_SCHEMA.empty_table(), index.filter(pc.invert(gone))])


def _without_keys(log: IngestLog, gone: set[str]) -> pa.Table:
    rows = log.table()
    return rows.filter(pc.invert(pc.is_in(rows.column("key"), value_set=pa.array(sorted(gone), pa.string()))))


def _take_over(con: duckdb.DuckDBPyConnection, store: Path, damaged: set[str]) -> None:
    """Rows of the tables that publishing does not make, from the published file."""
    with reading(store) as worn:
        rows = worn.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = current_database()"
        ).fetchall()
        for table in sorted(set(TABLES) - set(RECOUNTED) - damaged):
            there = {column for of, column in rows if of == table}
            declared = {name: type_ for name, type_ in declared_columns(table).items() if name in there}
            columns = ", ".join(map(quoted, declared))
            if columns:
                cast = ", ".join(f"TRY_CAST({quoted(name)} AS {type_})" for name, type_ in declared.items())
                con.register("worn_rows", worn.sql(f"SELECT {columns} FROM {quoted(table)}").to_arrow_reader())  # noqa: S608 - own names
                con.execute(f"INSERT INTO {quoted(table)} ({columns}) SELECT {cast} FROM worn_rows")  # noqa: S608 - quoted names
                con.unregister("worn_rows")


def _number_of_files(store: Path) -> int:
    return sum(path.is_file() for path in store.rglob("*"))
