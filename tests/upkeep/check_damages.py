"""What may happen to the parts of a store: each makes one thing wrong, and says by which words it is to be found.

A damage that rewrites a file writes it as the product does, with a good seal: only what the rows say can tell it.
"""

import json
import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from check_made import FORGOTTEN

from fleetbrake.store.arrow import read_parquet, write_parquet
from fleetbrake.store.lake import EVENTS_SCHEMA, WHEELS_SCHEMA, Lake
from fleetbrake.store.lake_blocks import INDEX_SCHEMA
from fleetbrake.store.log import LOG_SCHEMA, read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.numbered import numbered, written
from fleetbrake.store.registers import read_register, write_register

Change = Callable[[Path], None]


@dataclass(frozen=True)
class Damage:
    """What is done, the check that is to find it, and part of the sentence."""

    check: str
    sentence: str
    do: Change


def flip(path: Path, seed: int = 1, *, place: int | None = None) -> int:
    """Turn one bit of a file over; its place."""
    content = bytearray(path.read_bytes())
    chance = random.Random(seed)
    at = chance.randrange(len(content)) if place is None else place
    content[at] ^= 1 << chance.randrange(8)
    _put(path, bytes(content))
    return at


def _put(path: Path, content: bytes) -> None:
    path.unlink()  # as a disk would: the file of a link elsewhere stays, and read-only ones are no matter
    path.write_bytes(content)


def _write_log(store: Path, table: pa.Table) -> None:
    there = written(log_path(store))
    assert there is not None
    write_parquet(log_path(store), numbered(table, there.number))


def _garbage(name: str) -> Change:
    return lambda store: _put(store / name, b"{ no")


def _flipped(name: str) -> Change:
    return lambda store: _ignore(flip(store / name, place=(store / name).stat().st_size // 2))


def _gone(name: str) -> Change:
    return lambda store: (store / name).unlink()


def _ignore(_: object) -> None:
    return None


def _log(change: Callable[[pa.Table], pa.Table]) -> Change:
    def do(store: Path) -> None:
        _write_log(store, change(read_parquet(log_path(store), LOG_SCHEMA, "log")))

    return do


def put(table: pa.Table, name: str, values: list[object]) -> pa.Table:
    """The table with other values in a column."""
    place = table.schema.get_field_index(name)
    return table.set_column(place, table.schema.field(place), pa.array(values, table.schema.field(place).type))


def _first(table: pa.Table, name: str, value: object) -> pa.Table:
    return put(table, name, [value, *table.column(name).to_pylist()[1:]])


def _index(change: Callable[[pa.Table], pa.Table]) -> Change:
    def do(store: Path) -> None:
        path = store / "lake" / "blocks.parquet"
        write_parquet(path, change(read_parquet(path, INDEX_SCHEMA, "index")))

    return do


def _two_of_one_key(table: pa.Table) -> pa.Table:
    keys = table.column("key").to_pylist()
    return put(table, "key", [keys[0], keys[0], *keys[2:]])


LOG = (
    Damage("log", "other bytes than were written", _flipped("lake/log.parquet")),
    Damage(
        "log", "other bytes than were written", lambda store: _put(log_path(store), log_path(store).read_bytes()[:-9])
    ),
    Damage("log", "is gone; published are", _gone("lake/log.parquet")),
    Damage("log", "a negative number of rows", _log(lambda table: _first(table, "rows", -1))),
    Damage("log", "two files of one key", _log(_two_of_one_key)),
    Damage("log", "a status that is not kept", _log(lambda table: _first(table, "status", "unchanged"))),
    Damage("log", "a path stands in it twice", _log(lambda table: pa.concat_tables([table, table.slice(0, 1)]))),
)
INDEX = (
    Damage("index", "other bytes than were written", _flipped("lake/blocks.parquet")),
    Damage("index", "is gone, and 1 blocks hold rows", _gone("lake/blocks.parquet")),
    Damage("index", "does not follow from its pieces", _index(lambda table: _first(table, "events_stamp", 7))),
    Damage("index", "a row with an empty cell", _index(lambda table: _first(table, "wheels", None))),
)


def key_of(store: Path, name: str) -> str:
    """Key of the piece of the recording of this name."""
    return next(str(entry.key) for entry in read_log(store) if Path(entry.path).stem == name)


def files_of(store: Path, name: str) -> tuple[Path, Path]:
    """Where the halves of that piece stand, alone."""
    return Lake(store).files_of(key_of(store, name))


def _piece(name: str, half: int, change: Callable[[pa.Table], pa.Table]) -> Change:
    schema = (EVENTS_SCHEMA, WHEELS_SCHEMA)[half]

    def do(store: Path) -> None:
        path = files_of(store, name)[half]
        write_parquet(path, change(read_parquet(path, schema, "rows")), few_rows=True)

    return do


def _block(store: Path, half: str) -> Path:
    return next((store / "lake" / "blocks").glob(f"*.{half}.parquet"))


def _twice(rows: pa.Table) -> pa.Table:
    return pa.concat_tables([rows, rows])


def _all(name: str, value: str | None) -> Callable[[pa.Table], pa.Table]:
    return lambda rows: put(rows, name, [value] * rows.num_rows)


def _two_events(store: Path) -> None:
    """The log agrees that there are two."""
    _piece("van-2-2026-03-20", 0, _twice)(store)
    table = read_log(store).table()
    here = pc.equal(table.column("key"), key_of(store, "van-2-2026-03-20"))
    counts = pc.if_else(here, pa.scalar(2, pa.int64()), table.column("events"))
    _write_log(store, put(table, "events", counts.to_pylist()))


def _nowhere(store: Path) -> None:
    for path in files_of(store, "van-1-2026-03-22"):
        path.unlink()


#: All of one round: they are about different pieces.
PIECES = (
    (
        Damage("pieces", "other bytes than were written", lambda store: _ignore(flip(files_of(store, "wheels-0")[1]))),
        Damage("pieces", "other bytes than were written", lambda store: _ignore(flip(_block(store, "events")))),
        Damage("pieces", "of another file", _piece("van-2-2026-03-20", 0, _all("piece_key", "0" * 32))),
        Damage("pieces", "are 0 events, and the log says 1", _piece("wheels-1", 0, lambda rows: rows.slice(0, 0))),
        Damage("pieces", "are nowhere", _nowhere),
    ),
    (
        Damage("pieces", "wheels of an event that is not there", _piece("wheels-0", 1, _all("event_id", "none such"))),
        Damage("pieces", "a wheel stands twice", _piece("wheels-1", 1, _twice)),
        Damage("pieces", "without the key of their file", _piece("van-1-2025-02-28", 0, _all("piece_key", None))),
        Damage("pieces", "two events of one id", _two_events),
        Damage("pieces", "is gone", lambda store: _block(store, "event_wheels").unlink()),
    ),
    (Damage("pieces", "the index says other numbers of rows", _index(lambda table: _first(table, "wheels", 77))),),
)


def _register(name: str, change: Callable[[pa.Table], pa.Table]) -> Change:
    def do(store: Path) -> None:
        write_register(store, name, change(read_register(store, name)))

    return do


def _sqlite(name: str, *statements: str) -> Change:
    def do(store: Path) -> None:
        with closing(sqlite3.connect(store / name)) as con, con:
            for statement in statements:
                con.execute(statement)

    return do


def _entry(column: str, value: str) -> Change:
    """Change an entry as nobody may, and put the triggers back as they were."""

    return lambda store: _as_nobody_may(store, f"UPDATE entered SET {column} = ?", value)


def _as_nobody_may(store: Path, statement: str, *given: str) -> None:
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, con:
        made = con.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in made:
            con.execute(f"DROP TRIGGER {name}")
        con.execute(statement, given)
        for _, sql in made:
            con.execute(sql)


def _open_key(store: Path) -> None:
    (store / "driver-aliases.key").chmod(0o644)


def _cut_key(store: Path) -> None:
    os.truncate(store / "driver-aliases.key", 5)


def _without_id(table: pa.Table) -> pa.Table:
    return _first(table, "driver_id", None)


_without_trigger = _sqlite("entered.sqlite", "DROP TRIGGER entered_never_changed")


def _other_mapping(store: Path) -> None:
    path = next((store / "mappings").glob("*.json"))
    told = json.loads(path.read_text())
    del told["columns"]["driver_id"]
    path.write_text(json.dumps(told))


def _mapping(change: Callable[[Path], None]) -> Change:
    return lambda store: change(next((store / "mappings").glob("*.json")))


def _other_key(store: Path) -> None:
    _put(store / "driver-aliases.key", bytes(range(32)))
    (store / "driver-aliases.key").chmod(0o600)


def _both_gone(store: Path) -> None:
    for name in ("forgotten.json", "forgotten.key"):
        (store / name).unlink()


def _holds_gone(store: Path) -> None:
    (store / "holds.json").unlink()
    shutil.rmtree(store / "held")


def _without_entry(store: Path) -> None:
    _as_nobody_may(store, "DELETE FROM entered")


def _held(store: Path) -> None:
    path = next((store / "held").glob("*/*.parquet"))
    flip(path)


#: One list a check: they go together in any way.
KEPT = {
    "key files": (
        Damage("key files", "can be read or written by others", _open_key),
        Damage("key files", "aliases of drivers cannot be drawn up", _cut_key),
        Damage("key files", "driver-aliases.key is gone: drivers get other aliases", _gone("driver-aliases.key")),
        Damage("key files", "driver-aliases.key is another one", _other_key),
    ),
    "registers": (
        Damage("registers", "other bytes than were written", _flipped("registers/trips.parquet")),
        Damage("registers", "two rows of one vehicle_id", _register("vehicles", _twice)),
        Damage("registers", "a row without driver_id", _register("drivers", _without_id)),
        Damage("registers", "Register inspections is gone", _gone("registers/inspections.parquet")),
    ),
    "mappings": (
        Damage("mappings", "cannot be read", _mapping(lambda path: _put(path, b"{ no"))),
        Damage("mappings", "is not kept any more", _mapping(Path.unlink)),
    ),
    "entries": (
        Damage("entries", "entered_never_changed is not as it was made", _without_trigger),
        Damage("entries", "it cannot be read", _entry("body", "{}")),
        Damage("entries", "its time has no zone", _entry("made_at", "2026-01-01T00:00:00")),
        Damage("entries", "no kind that this version knows", _entry("kind", "rumour")),
        Damage("entries", "it names nobody", _entry("made_by", " ")),
        Damage("entries", "cannot be read", _garbage("entered.sqlite")),
        Damage("entries", "it is not what was entered", _entry("made_by", "inspectos")),
        Damage("entries", "is gone", _without_entry),
    ),
    "runs": (
        Damage("runs", "a run cannot be read", _sqlite("runs.sqlite", "UPDATE runs SET outcome = 'perhaps'")),
        Damage("runs", "cannot be read", _garbage("runs.sqlite")),
    ),
    "holds": (
        Damage("holds", "is gone or has other bytes", _held),
        Damage("holds", "cannot be read, so that nothing may be dropped", _garbage("holds.json")),
        Damage("holds", "has a list of copies that is damaged", _garbage("held/hold-1/manifest.json")),
        Damage("holds", "the list of what it has copied is gone", _gone("held/hold-1/manifest.json")),
        Damage("holds", "the list of what it has copied is gone", lambda store: shutil.rmtree(store / "held")),
        Damage("holds", "lack 1 that were placed", _holds_gone),
    ),
    "forgotten": (
        Damage("forgotten", "is gone, its key", _gone("forgotten.json")),
        Damage("forgotten", "nobody knows who was forgotten", _gone("forgotten.key")),
        Damage("forgotten", "1 drivers were forgotten here of whom", _both_gone),
    ),
    "retention": (
        Damage("retention", "cannot be read", _garbage("retention.json")),
        Damage("retention", "may come back", _flipped("dropped.parquet")),
        Damage("retention", "are gone: put them back", _gone("retention.json")),
        Damage("retention", "1 rows of registers were dropped of which", _gone("dropped.parquet")),
    ),
}  # fmt: skip


def _published(*statements: str) -> Change:
    def do(store: Path) -> None:
        with duckdb.connect(str(store / "fleet.duckdb")) as con:
            for statement in statements:
                con.execute(statement)

    return do


def _block_of_database(store: Path) -> None:
    """A bit of a block that holds a table; the headers at the beginning are 12 kB."""
    path = store / "fleet.duckdb"
    with duckdb.connect(str(path), read_only=True) as con:
        ((block,),) = con.execute(
            "SELECT min(block_id) FROM pragma_storage_info('events') WHERE block_id >= 0"
        ).fetchall()
    flip(path, place=3 * 4096 + block * 262_144 + 100)


DATABASE = (
    Damage("database", "There is no fleet.duckdb", _gone("fleet.duckdb")),
    Damage("database", "is damaged", _garbage("fleet.duckdb")),
    Damage("database", "Table flags has no column state", _published("ALTER TABLE flags DROP COLUMN state")),
    Damage("database", "rank is of another type", _published("ALTER TABLE predictions ALTER rank TYPE VARCHAR")),
    Damage("database", "Table plan_days is not there", _published("DROP TABLE plan_days")),
    Damage("database", "cannot be read: ", _block_of_database),
)
#: Each of one round: sentence and SQL.
_TABLES = (
    (
        "health_score is out of its range",
        "UPDATE vehicle_health SET health_score = 150, score_high = NULL WHERE rank = 1",
    ),
    ("score lies within its interval", "UPDATE driver_style SET score_low = 60, style_score = 50 WHERE rank = 1"),
    ("priority is no word of the list", "UPDATE predictions SET priority = 'soon'"),
    ("ranks of a day have a gap", "UPDATE vehicle_health SET rank = 9 WHERE rank = 2"),
    ("several rows of one made_on", "INSERT INTO predictions FROM predictions"),
    ("indicators: value is out of its range", "UPDATE indicators SET value = 'nan'"),
    ("indicators: not in vehicle_health", "UPDATE indicators SET vehicle_id = 'nobody' WHERE rowid = 0"),
    ("as_of is empty", "INSERT INTO exposure_summary (depot) VALUES ('Nowhere')"),
)
_RECOUNT = (
    (
        "events: 1 published rows",
        "UPDATE events SET peak_decel_mps2 = peak_decel_mps2 * (1 + 1e-12) WHERE event_id = 'wheels-0'",
    ),
    (
        "month_work: 0 published rows are not what the lake and the registers give, 1 lack",
        "DELETE FROM month_work WHERE month = (SELECT min(month) FROM month_work)",
    ),
    ("trips: 1 published", "UPDATE trips SET distance_km = 101 WHERE trip_id = 'trip-0'"),
    ("inspections: 1 published", "UPDATE inspections SET severity = 0 WHERE finding = 'brake_drag'"),
)
TABLES = tuple(Damage("tables", sentence, _published(sql)) for sentence, sql in _TABLES)
#: Within their ranges, and against no rule.
CHANGED = (
    Damage(
        "tables",
        "vehicle_health: its rows are not those that a run left",
        _published("UPDATE vehicle_health SET events_used = events_used + 1 WHERE rank = 1"),
    ),
    Damage("tables", "predictions: its rows are not those that a run left", _published("DELETE FROM predictions")),
)
RECOUNT = tuple(Damage("recount", sentence, _published(sql)) for sentence, sql in _RECOUNT)


def unpublished(store: Path) -> None:
    """A run that was ended after it committed what it read."""
    _piece("wheels-0", 0, _all("notes", "other rows"))(store)


FORGOTTEN_SHOWN = _published(f"UPDATE driver_style SET driver_id = '{FORGOTTEN}' WHERE rank = 1")
