"""All that a store and a folder of reports hold, in a form that two runs can be compared by."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.planning.flags import flags
from fleetbrake.reports import reads
from fleetbrake.store.ageing.retention import read_state
from fleetbrake.store.ageing.retention_lake import is_older_lake
from fleetbrake.store.ageing.retention_published import MADE_ANEW
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.entered import ENTERED_NAME, entries
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.lake import PIECE_KEY, Lake
from fleetbrake.store.log import read_log
from fleetbrake.store.registers import read_register
from fleetbrake.store.remembered import REMEMBERED, noted_in
from fleetbrake.store.schema import SETTINGS
from fleetbrake.store.scores_lost import SCORINGS
from fleetbrake.store.sealed import SET_ASIDE

#: Columns that may differ between two runs, and why: when a file was read is no matter of its content; stamps are
#: fingerprints of the files in which a piece lies, and a killed run may leave it standing alone instead of in a block.
NOT_COMPARED: Final = {
    "ingest_log": ("loaded_at",),
    "publishing_files": ("loaded_at", "events_stamp", "wheels_stamp"),
}

Rows = list[tuple[str, ...]]


@dataclass(frozen=True)
class State:
    """What a store and the folder of its reports hold.

    Attributes
    ----------
    published : size and time of change of the published file; not compared.
    database : rows of every published table, by table; None where nothing is published.
    log : the entry of each file, when it was read apart, by path.
    pieces : rows of events and of wheels, by key of the piece.
    registers : content of the registers, by name.
    entered : what people and scores entered, but for the moment of it.
    rules : what is forgotten and what retention did, but for the moment of it.
    files : names of all other files in the store: nothing half-made is among them.
    out : files of the report, byte for byte, by name.
    """

    published: tuple[int, int] | None
    database: dict[str, Rows] | None
    log: dict[str, str]
    pieces: dict[str, tuple[str, str]]
    registers: dict[str, bytes]
    entered: Rows
    rules: dict[str, Any]
    files: frozenset[str]
    out: dict[str, bytes]


def state_of(store: Path, out: Path) -> State:
    """Read it all. Whatever cannot be read raises."""
    log = {entry.path: entry for entry in read_log(store)}
    return State(
        published=publication(store),
        database=tables(store) if database_path(store).exists() else None,
        log={path: repr(vars(entry) | {"loaded_at": None}) for path, entry in log.items()},
        pieces=pieces(store, {entry.key for entry in log.values() if entry.key}),
        registers={path.name: path.read_bytes() for path in sorted((store / "registers").glob("*.parquet"))},
        entered=_entered(store),
        rules=_rules(store),
        files=_other_files(store),
        out=contents(out),
    )


def differences(one: State, other: State) -> list[str]:
    """What differs, by name of the part; empty where nothing does."""
    found = []
    for part in fields(State):
        mine, theirs = getattr(one, part.name), getattr(other, part.name)
        if mine == theirs or part.name == "published":
            continue
        if isinstance(mine, dict) and isinstance(theirs, dict):
            names = sorted(name for name in mine.keys() | theirs.keys() if mine.get(name) != theirs.get(name))
            found.append(f"{part.name}: {', '.join(names[:5])}")
        elif isinstance(mine, frozenset):
            found.append(f"{part.name}: {', '.join(sorted(mine ^ theirs)[:5])}")
        else:
            found.append(part.name)
    return found


def in_between(store: Path, out: Path, before: State, after: State) -> list[str]:
    """What readers find wrong after a kill: everything must be as before the command or as after it, and whole."""
    found = _published(store, before, after)
    log = {entry.path: entry for entry in read_log(store)}
    for path, entry in log.items():
        told = repr(vars(entry) | {"loaded_at": None})
        if told not in (before.log.get(path), after.log.get(path)):
            found.append(f"the log tells of {path} what neither run says")
    kept = pieces(store, {entry.key for entry in log.values() if entry.key})
    for key, rows in kept.items():
        if rows not in (before.pieces.get(key), after.pieces.get(key)):
            found.append(f"the piece {key} holds what neither run wrote")
    if not before.log.keys() & after.log.keys() <= log.keys():
        found.append("a file is lost from the log")
    for name in REGISTERS:
        read_register(store, name)
    for name, content in contents(out).items():
        if ".part/" not in name and content not in (before.out.get(name), after.out.get(name)):
            found.append(f"the report's {name} is half-written")
    entries(store)
    return found


def _published(store: Path, before: State, after: State) -> list[str]:
    """The published file, as any reader and as a page reads it."""
    if not database_path(store).exists():
        try:
            with reading(store):
                pass
        except StoreError:
            return [] if before.database is None else ["the published database is gone"]
        return ["a database was read that is not there"]
    found = []
    if publication(store) != before.published and tables(store) not in (before.database, after.database):
        found = ["the published rows are of neither run"]
    reads.ranked(store)
    flags(store)
    return found


def publication(store: Path) -> tuple[int, int] | None:
    """Size and time of change (ns) of the published file, which a copy of a store keeps."""
    path = database_path(store)
    return (path.stat().st_size, path.stat().st_mtime_ns) if path.exists() else None


def tables(store: Path) -> dict[str, Rows]:
    """Every table of the published file, in an order that follows from the rows; texts, so that NaN equals itself."""
    found = {}
    with reading(store) as con:
        names = con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = 'fleet'").fetchall()
        for (name,) in sorted(names):
            left_out = NOT_COMPARED.get(name, ())
            but = f" EXCLUDE ({', '.join(left_out)})" if left_out else ""
            rows = con.execute(f'SELECT *{but} FROM "{name}"').fetchall()
            rows = _without_scorings(rows) if name == SETTINGS else rows
            found[name] = sorted(tuple(map(repr, row)) for row in rows)
    return found


def _without_scorings(settings: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Without how often scores or dropped rows were published, and the log written: once more where a run was killed
    after it had, and run again."""
    told = dict(settings)
    told.pop(SCORINGS, None)
    told.pop(MADE_ANEW, None)
    note = noted_in(told.pop(REMEMBERED, None))
    if note is None:
        return [*told.items(), (REMEMBERED, None)]
    writings = {name: number for name, number in note.writings.items() if name != "log"}
    return [*told.items(), (REMEMBERED, note.model_copy(update={"scorings": 0, "made_anew": 0, "writings": writings}))]


def pieces(store: Path, keys: set[str]) -> dict[str, tuple[str, str]]:
    """Rows of events and wheels of these pieces of the lake, in their order; StoreError where one is missing."""
    lake = Lake(store)
    halves = [half.to_table().to_pylist() for half in lake.pieces(keys)]
    found: dict[str, tuple[list[Any], list[Any]]] = {key: ([], []) for key in keys}
    for at, rows in enumerate(halves):
        for row in rows:
            found[row[PIECE_KEY]][at].append(row)
    return {key: (repr(events), repr(wheels)) for key, (events, wheels) in found.items()}


def contents(folder: Path) -> dict[str, bytes]:
    """All files below a folder, by name."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _entered(store: Path) -> Rows:
    if not (store / ENTERED_NAME).exists():
        return []
    with closing(sqlite3.connect(store / ENTERED_NAME)) as con:
        rows = con.execute("SELECT entry_id, made_by, kind, vehicle_id, body FROM entered ORDER BY 1").fetchall()
        triggers = con.execute("SELECT name, 'trigger' FROM sqlite_master WHERE type = 'trigger' ORDER BY 1").fetchall()
    return [tuple(map(str, row)) for row in (*rows, *triggers)]


def _rules(store: Path) -> dict[str, Any]:
    state = read_state(store)
    applied = state.get("applied", {})
    if "lake" in applied:  # a moment too: that it is the one that the lake has is what counts
        applied["lake"] = not is_older_lake(store, applied)
    applied.pop("at", None)
    state.pop("published", None)
    return {"retention": state, "forgotten": read_tombstones(store)}


def _other_files(store: Path) -> frozenset[str]:
    """Whole pieces and blocks have names that follow from how a run came to its end; all else has the same in all."""
    names = set()
    for path in store.rglob("*"):
        name = path.relative_to(store).as_posix()
        if name.startswith(f"{SET_ASIDE}/"):  # by moments; what is put aside is never looked for again
            continue
        if path.is_dir() or (path.suffix == ".parquet" and not path.name.startswith(".") and name.count("/") == 2):
            continue
        names.add(name)
    return frozenset(names)
