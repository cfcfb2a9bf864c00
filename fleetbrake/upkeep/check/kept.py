"""What a store keeps besides the lake: registers, mappings, entries of people, runs, who was forgotten, holds, rules.

None of it can be made again from the lake, so that most of this is told and not repaired.
"""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.core.table_rules import GIVEN
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.recordings.mapping import Mapping
from fleetbrake.store import entered, runs
from fleetbrake.store.ageing.dropped_rows import DROPPED_NAME, refuse_shorter
from fleetbrake.store.ageing.retention import policy, read_state
from fleetbrake.store.ageing.retention_clock import believed
from fleetbrake.store.ageing.retention_lake import is_older_lake
from fleetbrake.store.entered_rows import KINDS
from fleetbrake.store.entered_seals import Sealed, seals_of
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.holding.held_again import others_copies, unlisted
from fleetbrake.store.holding.held_files import checked_copies, sentence_of
from fleetbrake.store.holding.held_manifest import has_manifest, is_damaged
from fleetbrake.store.holding.hold_ends import still_names
from fleetbrake.store.holding.holds import Hold, all_holds
from fleetbrake.store.log import IngestLog
from fleetbrake.store.lost import is_older, lost_sentence, older_sentence
from fleetbrake.store.mappings import MAPPINGS_FOLDER
from fleetbrake.store.registers import register_path, rows_there
from fleetbrake.store.remembered import no_copy, remembered
from fleetbrake.store.run_numbers import RUNS_NAME
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.store.sealed import Seal, seal_of
from fleetbrake.store.shut import looked_at
from fleetbrake.upkeep.check.log_and_index import OLDER, broken_seal
from fleetbrake.upkeep.check.outcome import FROM_COPY, Damage, Outcome


def check_registers(store: Path, out: Outcome) -> None:
    """Every register: readable, keyed, each row once."""
    rows = 0
    for name in REGISTERS:
        path = register_path(store, name)
        if not path.is_file():
            if name in _noted_registers(store):
                out.wrong.add(lost_sentence(name))
            continue
        broken = broken_seal(path)
        if broken:
            out.wrong.add(
                f"Register {name}: {broken}; {FROM_COPY}, or move {path.name} away and read the register again."
            )
            continue
        try:
            table = rows_there(store, name)
        except StoreError as error:
            out.wrong.add(f"{error} {FROM_COPY.capitalize()}, or move it away and read the register again.")
            continue
        if _older(store, name):
            out.wrong.add(older_sentence(name))
        rows += table.num_rows
        if seal_of(path) is Seal.NONE:
            out.notes.add(f"registers/{path.name}: {OLDER}.")
        for sentence in _register_problems(name, table):
            out.wrong.add(f"Register {name}: {sentence}.")
    out.looked_at = f"{rows} rows"


def _older(store: Path, name: str) -> bool:
    """Whether it is; not known where the note is damaged, which others tell."""
    try:
        return is_older(store, name)
    except StoreError:
        return False


def _noted_registers(store: Path) -> tuple[str, ...]:
    """Registers that were there; none where the note of them is damaged, which others tell."""
    try:
        return remembered(store).registers
    except StoreError:
        return ()


def _register_problems(name: str, table: pa.Table) -> list[str]:
    keys = list(REGISTER_KEYS[name])
    told = [f"a row without {column}" for column in GIVEN.get(name, ()) if table.column(column).null_count]
    if table.group_by(keys).aggregate([]).num_rows != table.num_rows:
        told.append(f"two rows of one {' and '.join(keys)}")
    return told


def check_mappings(store: Path, log: IngestLog | None, out: Outcome) -> None:
    """Every mapping that was kept can be read, and those that the log names are there."""
    there = set()
    for path in sorted((store / MAPPINGS_FOLDER).glob("*.json")):
        try:
            found = Mapping.model_validate_json(path.read_text(encoding="utf-8")).fingerprint()
        except (OSError, ValueError) as error:
            out.wrong.add(f"mappings/{path.name} cannot be read ({type(error).__name__}): {_readable_again()}")
            continue
        there.add(path.stem)
        if found != path.stem and not _some_forgotten(store):
            out.wrong.add(f"mappings/{path.name} holds another mapping than was kept: {_readable_again()}")
    wanted = set() if log is None else {one.rpartition(":")[2] for one in _settings(log) if ":" in one} - {"contract"}
    damaged = {path.stem for path in (store / MAPPINGS_FOLDER).glob("*.json")}
    for print_ in sorted(wanted - damaged):
        out.wrong.add(f"The mapping {print_} is not kept any more: {_readable_again()}")
    out.looked_at = f"{len(there)} mappings"


def _readable_again() -> str:
    return "samples of its recordings cannot be shown until they are read in again with --mapping."


def _settings(log: IngestLog) -> list[str]:
    whole = log.table().filter(pc.is_valid(log.table().column("key")))
    found: list[str] = pc.unique(whole.column("settings")).to_pylist()
    return found


def _some_forgotten(store: Path) -> bool:
    """Whether a forgotten driver may have been taken out of a mapping, which keeps its name."""
    try:
        return bool(read_tombstones(store).stones)
    except StoreError:
        return True


def check_entries(store: Path, out: Outcome) -> None:
    """What people entered: whole, never to be changed, each row by the rules of its kind."""
    path = store / entered.ENTERED_NAME
    if not path.is_file():
        out.looked_at = "nothing was entered yet"
        return
    rows = _database_problems(path, entered.TABLES_SQL, "entered", out, "entries")
    seals = _seals(path) if rows is not None else None
    for entry_id, made_at, made_by, kind, vehicle_id, body in rows or ():
        problem = entry_problem(made_at, made_by, kind, vehicle_id, body)
        if problem is None and seals is not None and entry_id in seals.broken:
            problem = "it is not what was entered"
        if problem:
            out.wrong.add(f"Entry {entry_id}: {problem}; {FROM_COPY}. {no_copy('entries')}")
    for number in sorted(seals.gone if seals is not None else ()):
        out.wrong.add(f"Entry {number} is gone; {FROM_COPY}. {no_copy('entries')}")
    if seals is not None and seals.bare:
        out.notes.add(f"{seals.bare} entries have no seal (an older version took them).")
    ahead = sum(str(row[1]) > f"{datetime.now(UTC):%Y-%m-%d}T24" for row in rows or ())  # in UTC, in order as text
    if ahead:
        out.notes.add(f"{ahead} entries are of a day that has not come by this machine's clock.")
    out.looked_at = f"{len(rows or ())} entries"


def _seals(path: Path) -> Sealed | None:
    """What the seals of the entries say; None where they cannot be read, which is told."""
    try:
        with looked_at(path) as con:
            return seals_of(con)
    except (sqlite3.Error, UnicodeDecodeError):
        return None


def entry_problem(made_at: object, made_by: object, kind: object, vehicle_id: object, body: object) -> str | None:
    """What is wrong with an entry; None where it can be read."""
    if not (isinstance(made_by, str) and made_by.strip() and isinstance(vehicle_id, str) and vehicle_id):
        return "it names nobody or no vehicle"
    if kind not in KINDS:
        return "no kind that this version knows"
    try:
        if datetime.fromisoformat(str(made_at)).tzinfo is None:
            return "its time has no zone"
        KINDS[str(kind)].model_validate_json(str(body))
    except ValidationError as error:
        return f"it cannot be read ({error.errors()[0]['msg']})"
    except ValueError:
        return "its time is none"
    return None


def check_runs(store: Path, out: Outcome) -> None:
    """The history of unattended runs."""
    path = store / RUNS_NAME
    try:
        lost = lost_runs(store)
    except StoreError:  # told below, or by whoever looks at the note
        lost = None
    if lost is not None:
        out.wrong.add(lost)
    if not path.is_file():
        out.looked_at = "no unattended run yet"
        return
    rows = _database_problems(path, runs.TABLES_SQL, "runs", out, "runs")
    if rows is None:
        return
    out.looked_at = f"{len(rows)} runs"
    try:
        runs.last_runs(store, max(1, len(rows)))
    except (StoreError, ValueError, TypeError) as error:
        out.wrong.add(f"{path.name}: a run cannot be read ({error}); {FROM_COPY}, or move the file away.")


def _database_problems(
    path: Path, made_by: str, table: str, out: Outcome, part: str
) -> list[tuple[object, ...]] | None:
    """Rows of the table; None where they cannot be read. What is wrong with the file is told."""
    try:
        with looked_at(path) as con:
            for (told,) in con.execute("PRAGMA integrity_check").fetchall():
                if told != "ok":
                    out.wrong.add(f"{path.name}: {told}; {FROM_COPY}.")
            parts = _parts(con)
            if not parts:  # the first writer makes the file before the table, and may have been killed in between
                return []
            for name in sorted(_made(made_by) - parts):
                out.wrong.add(f"{path.name}: {name[0]} {name[1]} is not as it was made; {FROM_COPY}.")
            return con.execute(f'SELECT * FROM "{table}"').fetchall()  # noqa: S608 - own names
    except (sqlite3.Error, UnicodeDecodeError) as error:  # a damaged file's own words may be no text
        out.wrong.add(f"{path.name} cannot be read ({error}); {FROM_COPY}. {no_copy(part)}")
        return None


def _parts(con: sqlite3.Connection) -> set[tuple[str, str, str]]:
    rows = con.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return {(kind, name, " ".join(sql.split())) for kind, name, sql in rows if not name.startswith("sqlite_")}


def _made(sql: str) -> set[tuple[str, str, str]]:
    with closing(sqlite3.connect(":memory:")) as con:
        con.executescript(sql)
        return _parts(con)


def check_holds(store: Path, out: Outcome, damage: Damage) -> None:
    """Legal holds, and every copy that was made for them, read to the end."""
    try:
        holds = all_holds(store)
    except StoreError as error:
        out.wrong.add(str(error))
        return
    copies = sum(_check_hold(store, hold, out, damage) for hold in holds)
    out.looked_at = f"{len(holds)} holds, {copies} copies"


def _check_hold(store: Path, hold: Hold, out: Outcome, damage: Damage) -> int:
    """One hold and its copies; their number. What a repair makes again is counted as such."""
    wrong = _wrong_hold(store, hold)
    if wrong is not None:
        out.wrong.add(f"{hold.hold_id} {wrong}")
        damage.lists += 1
        return 0
    if _names_forgotten(store, hold):
        out.wrong.add(f"{hold.hold_id} ended, and names a driver who was forgotten; --repair takes the name out again.")
        damage.lists, damage.forgotten = damage.lists + 1, True
    if hold.released is not None and not hold.released.copies_kept:
        return 0
    try:
        files, more = checked_copies(store, hold.hold_id).files, unlisted(store, hold.hold_id)
    except StoreError as error:
        out.wrong.add(str(error))
        return 0
    for one in files:
        if one.state == "damaged":
            out.wrong.add(f"{hold.hold_id}: the copy of {one.path} is gone or has other bytes.")
            damage.copies.append((hold.hold_id, str(one.copy)))
        elif one.copy is None:
            out.notes.add(f"{hold.hold_id}: {sentence_of(one)}")
    if more:
        out.notes.add(f"{hold.hold_id} has {len(more)} copies that its list does not name; --repair puts them into it.")
        damage.left = True
    return sum(one.copy is not None for one in files)


def _wrong_hold(store: Path, hold: Hold) -> str | None:
    """What is wrong with the list of a hold's copies; None where it can be read and is this hold's."""
    if is_damaged(store, hold.hold_id):
        return (
            f"has a list of copies that is damaged: {FROM_COPY}. --repair makes it again from the log and the copies."
        )
    if others_copies(store, hold) is not None:
        return "has the copies of another hold: --repair keeps both, each with a number of its own."
    if hold.released is None and not has_manifest(store, hold.hold_id):
        return (
            f"stands, and the list of what it has copied is gone: {FROM_COPY}. The next ingest, or --repair, copies "
            "again what is still to be had."
        )
    return None


def _names_forgotten(store: Path, hold: Hold) -> bool:
    try:
        forgetter = Forgetter(read_tombstones(store))
    except StoreError:  # told by whoever looks at the list
        return False
    return bool(forgetter) and still_names(hold, forgetter.text)


def check_retention(store: Path, out: Outcome) -> None:
    """How long what is kept, and what was dropped."""
    try:
        out.looked_at = "rules were set" if policy(store) is not None else "no rules were set"
        if policy(store) is not None and is_older_lake(store, believed(read_state(store))):
            out.notes.add(
                "The lake is not the one that the rules were applied to last: what was too old may stand in it again, "
                "until the next `fleetbrake retain`."
            )
    except StoreError as error:
        out.wrong.add(str(error))
    path = store / DROPPED_NAME
    broken = broken_seal(path) if path.is_file() else None
    if broken:
        out.wrong.add(f"{DROPPED_NAME}: {broken}; {FROM_COPY}: register rows that were dropped may come back.")
        return
    try:
        refuse_shorter(store)
    except StoreError as error:
        out.wrong.add(str(error))
