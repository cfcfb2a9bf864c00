"""A store verified part by part, and repaired as far as what is left allows.

Verifying leaves the store as it is. All of it runs under the writer's lock, so that nothing changes meanwhile.
"""

from pathlib import Path

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.database import database_path
from fleetbrake.store.holding.held_again import holds_again
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog
from fleetbrake.store.recount import PUBLISHED, beside
from fleetbrake.store.remembered import REMEMBERED_NAME
from fleetbrake.store.scores_lost import scored
from fleetbrake.upkeep.check import kept, log_and_index, published, recounted
from fleetbrake.upkeep.check.closed import refuse_closed
from fleetbrake.upkeep.check.forgotten import check_forgotten
from fleetbrake.upkeep.check.given_up import give_up_part
from fleetbrake.upkeep.check.layout import check_folder, check_key_files
from fleetbrake.upkeep.check.not_lost import check_entries_noted, check_nothing_lost, check_scores
from fleetbrake.upkeep.check.outcome import Checked, Damage, Outcome
from fleetbrake.upkeep.check.pieces import check_nowhere, check_pieces
from fleetbrake.upkeep.check.repair import Repair
from fleetbrake.upkeep.check.sources_there import check_recordings

__all__ = ["NAMES", "Checked", "Outcome", "check_store"]

#: Every check, in order.
NAMES = (
    *("folder", "key files", "log", "index", "pieces", "registers", "mappings", "entries", "runs", "forgotten"),
    *("holds", "retention", "database", "tables", "published", "recount", "recordings"),
)


def check_store(
    store: Path, *, recordings: bool = False, repair: bool = False, lost_for_good: str | None = None
) -> Checked:
    """Verify a store; every problem is told, not only the first.

    Parameters
    ----------
    recordings : read every byte of the recordings that the log names.
    repair : make again what can be made again, where anything is wrong or was left by a run that was ended, and verify
        once more.
    lost_for_good : a part of ``given_up.GIVEN_UP`` that is lost and in no copy: go on without it.

    Raises
    ------
    StoreBusyError
        Another run writes the store.
    StoreError
        There is no store, a newer version wrote it, or nothing can be written beside it; or a file of it cannot be
        opened now, and something is to be repaired or given up.
    InputError
        Nothing is lost of the part that is to be given up.
    """
    if not any(path.exists() for path in (database_path(store), store / "lake", store / REMEMBERED_NAME)):
        raise StoreError(f"{store}: there is no store here; nothing was looked at.")
    with writer_lock(store, "check"):
        if repair or lost_for_good is not None:
            refuse_closed(store)
        given_up = [give_up_part(store, lost_for_good)] if lost_for_good is not None else []
        again = holds_again(store) if repair else []
        given_up += [f"Made again from what its copies say of it: {hold_id}." for hold_id in again]
        found = _Check(store).run(recordings)
        if not repair or (found.sound and not found.to_tidy):
            found.mended = given_up
            return found
        work = Repair(store, found)
        work.run()
        found.mended, found.not_mended = given_up + work.mended, work.not_mended
        found.after = _Check(store).run(recordings)
        return found


class _Check:
    """One verification: what later checks need of earlier ones."""

    def __init__(self, store: Path) -> None:
        self.store, self.damage = store, Damage()
        self.outcomes = {name: Outcome(name) for name in NAMES}

    def run(self, recordings: bool) -> Checked:
        """All checks."""
        out, damage, store = self.outcomes, self.damage, self.store
        log = log_and_index.check_log(store, out["log"], damage)
        index = log_and_index.check_index(store, log, out["index"], damage)
        check_folder(store, index, out["folder"], damage)
        check_key_files(store, out["key files"], damage)
        if log is None or index is None:
            out["pieces"].left_out = "the log or the index cannot be used"
            if index is not None:
                check_nowhere(store, out["pieces"])
        else:
            check_pieces(store, log, index, out["pieces"], damage)
        kept.check_registers(store, out["registers"])
        kept.check_mappings(store, log, out["mappings"])
        kept.check_entries(store, out["entries"])
        kept.check_runs(store, out["runs"])
        check_forgotten(store, log, out["forgotten"], damage)
        kept.check_holds(store, out["holds"], damage)
        kept.check_retention(store, out["retention"])
        self._database(log)
        if log is None:
            out["recordings"].left_out = "the log cannot be used"
        else:
            check_recordings(log, out["recordings"], read=recordings)
        return Checked(list(out.values()), damage)

    def _database(self, log: IngestLog | None) -> None:
        out = self.outcomes
        whole = published.check_database(self.store, log, out["database"], self.damage)
        names = ("tables", "published", "recount")
        if whole is None:
            check_entries_noted(self.store, out["entries"])
            if out["database"].wrong.count:
                for name in names:
                    out[name].left_out = "the published file cannot be opened"
            return
        try:
            with beside(self.store) as con:
                published.check_tables(con, whole, out["tables"], self.damage)
                check_nothing_lost(con, self.store, whole, out["registers"], out["entries"])
                if "vehicle_health" in whole:
                    check_scores(self.store, scored(con, f"{PUBLISHED}.main."), out["database"])
                published.check_nobody_back(con, self.store, whole, out["forgotten"], self.damage)
                self._compare(con, log, whole)
        except duckdb.Error as error:
            raise StoreError(f"The published file cannot be held against the lake: {error}") from error

    def _compare(self, con: duckdb.DuckDBPyConnection, log: IngestLog | None, whole: set[str]) -> None:
        out, damage = self.outcomes, self.damage
        if log is None or damage.index or damage.gone:
            for name in ("published", "recount"):
                out[name].left_out = "rows of the lake cannot be used"
            return
        if not recounted.check_files_published(con, self.store, log, whole, out["published"], damage):
            out["recount"].left_out = "other files were published"
        elif damage.tables or damage.types:
            out["recount"].left_out = "tables cannot be read"
        elif any(out[name].wrong.count for name in ("registers", "entries", "forgotten", "retention")) or (
            out["holds"].wrong.count > len(damage.copies) + damage.lists  # copies alone change no row
        ):
            out["recount"].left_out = "what the rows rest on besides the lake is damaged"
        else:
            recounted.check_recount(con, self.store, whole, out["recount"], damage)
