"""What was published of registers and entries, held against the files that it came from: one that is gone is none.

Whoever publishes would drop those rows in silence; it is refused instead, until the file is back.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_one, in_schema
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.entered import entries
from fleetbrake.store.entered_lost import noted_entries_lost, published_entries, unsealed_entries_lost
from fleetbrake.store.entered_rows import DateMet, FindingEntered, WorkEntered
from fleetbrake.store.entered_seals import Given, given
from fleetbrake.store.holding.held_manifest import read_from_copies
from fleetbrake.store.log import IngestLog
from fleetbrake.store.numbered import Written, written
from fleetbrake.store.remembered import no_copy, register_path, remembered
from fleetbrake.store.schema import SETTINGS, declared_columns

#: So many paths stand in a sentence.
_SHOWN: Final = 3
#: Registers of which a published row can come from nowhere else: the others also take what people enter.
FROM_FILES: Final = ("vehicles", "drivers", "trips", "capacity", "brake_tests")


def lost_sentence(name: str) -> str:
    """What is said of a register whose file is gone."""
    return f"Register {name} is gone, and its rows would go with the next publishing: {_put_back(name)}"


def older_sentence(name: str) -> str:
    """What is said of a register whose file is an older copy, or was written by something else."""
    return (
        f"Register {name} is an older copy or another program's, not the one that was written last, and what came in "
        f"since would go with the next publishing: {_put_back(name)}"
    )


def _put_back(name: str) -> str:
    return (
        f"put the newest registers/{name}.parquet back from a copy of the store, or read the whole register again with "
        f"`fleetbrake ingest --registers`. {no_copy('registers')}"
    )


def is_older(store: Path, name: str) -> bool:
    """Whether a register's file is there and was written before the one that was noted last."""
    noted = remembered(store).registers_written.get(name)
    there = written(register_path(store, name)) if noted is not None else None
    if noted is None or there is None:
        return False
    # of a life of the store that was left for an older copy of all of it: the same number, other rows
    other = there.number == noted.number > 0 and there.rows != noted.rows
    return other or there.number < noted.number


def lost_registers(
    con: duckdb.DuckDBPyConnection, store: Path, within: str = "", names: Sequence[str] = FROM_FILES
) -> list[str]:
    """Registers of which rows are published and the file is gone. ``within``: prefix of the tables' names."""
    gone = [name for name in names if not register_path(store, name).is_file()]
    return [name for name in gone if con.execute(f"SELECT 1 FROM {within}{name} LIMIT 1").fetchall()]  # noqa: S608 - own names


def refuse_lost_registers(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """StoreError where publishing would drop rows of a register whose file is gone, or an older copy."""
    for name in lost_registers(con, store):
        raise StoreError(lost_sentence(name))
    for name in REGISTERS:
        if is_older(store, name):
            raise StoreError(older_sentence(name))


def lost_entries(con: duckdb.DuckDBPyConnection, store: Path, within: str = "") -> str | None:
    """A sentence where entries were published that are not there any more; None where all are.

    Raises
    ------
    StoreError
        What people entered cannot be read.
    """
    told = dict(con.execute(f"SELECT name, value FROM {within}{SETTINGS}").fetchall())  # noqa: S608 - own names
    return noted_entries_lost(store, published_entries(told))


def refuse_lost_entries(con: duckdb.DuckDBPyConnection, store: Path) -> Given:
    """StoreError where publishing would drop what people entered; what they have entered so far."""
    told = lost_entries(con, store) or unsealed_entries_lost(store)
    if told is not None:
        raise StoreError(told)
    return given(store)


def lost_recordings(con: duckdb.DuckDBPyConnection, log: IngestLog, within: str = "") -> list[str]:
    """Paths of recordings that are published and of which the log names no rows; not by their bytes either: a path
    changes where it named somebody who was forgotten.

    One of other bytes that was rejected when it was read again, after its rows were lost, has none: what is published
    is all there is. The very bytes that are published may be rejected by other rules: that is told, and they go.
    """
    asked = f"SELECT path, sha256 FROM {within}ingest_log WHERE status <> 'rejected' ORDER BY path"  # noqa: S608 - own names
    published, rows = con.sql(asked).to_arrow_table(), log.table()
    known = rows.filter(pc.is_valid(rows.column("key")))
    bytes_known = known.filter(pc.not_equal(known.column("sha256"), ""))  # of a log that was made from rows alone
    named = pc.or_(
        pc.is_in(published.column("path"), value_set=in_one(known.column("path"))),
        pc.is_in(published.column("sha256"), value_set=in_one(bytes_known.column("sha256"))),
    )
    alone, own = published.filter(pc.invert(named)), _bytes_rejected(rows)
    pairs = zip(alone.column("path").to_pylist(), alone.column("sha256").to_pylist(), strict=True)
    return [path for path, sha256 in pairs if own.get(path) != sha256]


def unpublished(con: duckdb.DuckDBPyConnection, log: IngestLog) -> list[str]:
    """A sentence where recordings of the log are not published: no score counts them. ``log``: as it is published."""
    known = log.table().filter(pc.is_valid(log.table().column("key")))
    there = con.sql("SELECT path FROM ingest_log").to_arrow_table().column("path")
    number = len(known) - (pc.sum(pc.is_in(known.column("path"), value_set=in_one(there))).as_py() or 0)
    if not number:
        return []
    return [
        f"{number} recordings were read in and are not published, so that no score counts them: `fleetbrake check "
        "--repair` publishes them, or the next `fleetbrake ingest`; then score and plan again."
    ]


def _bytes_rejected(rows: pa.Table) -> dict[str, str]:
    """Fingerprints of the bytes of which nothing is in, by path: of rejected files whose bytes are known."""
    none = rows.filter(pc.and_(pc.is_null(rows.column("key")), pc.not_equal(rows.column("sha256"), "")))
    return dict(zip(none.column("path").to_pylist(), none.column("sha256").to_pylist(), strict=True))


def refuse_lost_recordings(con: duckdb.DuckDBPyConnection, store: Path, log: IngestLog) -> None:
    """StoreError where publishing would drop the rows of such recordings."""
    lost = lost_recordings(con, log)
    if lost:
        raise StoreError(
            f"{len(lost)} recordings are published that the lake does not have any more ({', '.join(lost[:_SHOWN])}"
            f"{', ...' if len(lost) > _SHOWN else ''}): put the lake back from a copy of the store, or name these "
            "recordings to `fleetbrake ingest` too; what was read is kept, and published with them. "
            f"{read_from_copies(store, lost)}{no_copy('recordings')}"
        )


def refuse_part(store: Path, name: str, table: pa.Table) -> None:
    """StoreError where a register is gone or an older copy, and ``table``, read in its place, lacks rows of it."""
    older = is_older(store, name)
    if register_path(store, name).is_file() and not older:
        return
    lacking = max(_lacking(store, name, table), _written_rows(store, name) - _different(name, table))
    if lacking > 0:
        told = older_sentence(name) if older else lost_sentence(name)
        raise StoreError(f"{told} What was read now lacks {lacking} of its rows.")


def _lacking(store: Path, name: str, table: pa.Table) -> int:
    """How many rows are published whose key stands neither in the table nor in what people entered."""
    if not database_path(store).is_file():
        return 0
    keys = REGISTER_KEYS[name]
    schema = arrow_schema({key: declared_columns(name)[key] for key in keys})
    known = pa.Table.from_pylist(_entered_keys(store, name), schema=schema)
    with reading(store) as con:
        con.register("read_now", pa.concat_tables([in_schema(table, schema, f"register {name}"), known]))
        same = " AND ".join(f"p.{key} IS NOT DISTINCT FROM n.{key}" for key in keys)
        counted = con.execute(f"SELECT count(*) FROM {name} AS p ANTI JOIN read_now AS n ON {same}").fetchall()  # noqa: S608 - own names
    return int(counted[0][0])


def _written_rows(store: Path, name: str) -> int:
    """Rows of the register's last writing: not all of them need to be published already."""
    return remembered(store).registers_written.get(name, Written()).rows


def _different(name: str, table: pa.Table) -> int:
    """Rows of the table with different keys."""
    keys = [key for key in REGISTER_KEYS[name] if key in table.column_names]
    return int(table.group_by(keys).aggregate([]).num_rows)


def _entered_keys(store: Path, name: str) -> list[dict[str, Any]]:
    """Keys of the published rows that people entered."""
    if name not in ("inspections", "repairs", "due_dates"):
        return []
    bodies = [(entry.vehicle_id, entry.body) for entry in entries(store, ("finding", "work", "date_met"))]
    if name == "due_dates":
        return [{"vehicle_id": vehicle, "kind": body.kind} for vehicle, body in bodies if isinstance(body, DateMet)]
    wanted = FindingEntered if name == "inspections" else WorkEntered
    return [body.row.model_dump() for _, body in bodies if isinstance(body, wanted)]
