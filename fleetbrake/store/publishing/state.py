"""What was published: two tables of the published file that only publishing reads.

``publishing_files`` is the log of then with the stamps of the pieces; ``publishing_events`` one row an event of the
lake with what became of it. Beside them stands, among the file's settings, a fingerprint of everything else that the
published rows follow from: models, criteria, registers' files. Where any of it is missing or another one, all is
published anew.
"""

import hashlib
import json
from dataclasses import asdict
from typing import Final

import duckdb

from fleetbrake import __version__
from fleetbrake.core.criteria import Criteria
from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.store.log import LOG_COLUMNS
from fleetbrake.store.publishing.models import all_models, number
from fleetbrake.store.schema import SETTINGS, quoted

FILES, EVENTS = "publishing_files", "publishing_events"
FILE_COLUMNS: Final = {**LOG_COLUMNS, "events_stamp": "BIGINT", "wheels_stamp": "BIGINT"}
EVENT_COLUMNS: Final = {
    "piece_key": "VARCHAR", "event_id": "VARCHAR", "vehicle_id": "VARCHAR", "source_path": "VARCHAR",
    "row_start": "BIGINT", "samples": "BIGINT", "continuous": "BOOLEAN", "started_at": "TIMESTAMPTZ",
    "onset_at": "TIMESTAMPTZ", "end_at": "TIMESTAMPTZ", "begins": "BOOLEAN", "place": "BIGINT",
    "best_path": "VARCHAR", "fate": "VARCHAR", "kept_path": "VARCHAR",
}  # fmt: skip
#: Setting of the published file that says on what its rows stand.
MADE_BY = "published_from"
#: Published tables whose rows publishing keeps; another number of rows than it left: somebody else changed them.
COUNTED: Final = ("events", "event_wheels", "ingest_log", "trips", "vehicles", "month_work", "recording_facts")


def fingerprint(criteria: Criteria, constants: dict[str, object]) -> str:
    """Of everything but files and registers that published rows follow from."""
    told = {
        "version": __version__,
        "criteria": asdict(criteria),
        "records": asdict(DEFAULT_RECORDS),
        "constants": constants,
        "models": all_models(),
        "columns": {name: [(one.name, one.type) for one in columns] for name, columns in TABLES.items()},
        "registers": {name: list(columns) for name, columns in REGISTERS.items()},
        "state": [FILE_COLUMNS, EVENT_COLUMNS],
    }
    return hashlib.sha256(json.dumps(told, default=str, sort_keys=True).encode()).hexdigest()


def stands(con: duckdb.DuckDBPyConnection, print_: str) -> bool:
    """Whether what was published stands on the same models and criteria, and nobody has changed it since."""
    made = _made(con)
    if made.get("fingerprint") != print_ or not {FILES, EVENTS} <= _tables(con):
        return False
    kept = number(con, f"SELECT count(*) FROM {EVENTS} WHERE fate = 'kept'")  # noqa: S608 - own names
    return kept == _count(con, "events") and made.get("counts") == _counts(con)


def register_prints(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Fingerprints of the registers' files that were published last, by register."""
    prints = _made(con).get("registers")
    return prints if isinstance(prints, dict) else {}


def begin_anew(con: duckdb.DuckDBPyConnection) -> None:
    """Nothing was published."""
    drop_state(con)
    for name, columns in ((FILES, FILE_COLUMNS), (EVENTS, EVENT_COLUMNS)):
        listed = ", ".join(f"{quoted(column)} {type_}" for column, type_ in columns.items())
        con.execute(f"CREATE TABLE {name} ({listed})")
    for name in ("events", "event_wheels", "ingest_log"):
        con.execute(f"TRUNCATE {name}")


def drop_state(con: duckdb.DuckDBPyConnection) -> None:
    """Forget what was published, so that the next time publishes all anew: for whoever changes published rows."""
    con.execute(f"DELETE FROM {SETTINGS} WHERE name = '{MADE_BY}'")  # noqa: S608 - own names
    for name in (FILES, EVENTS):
        con.execute(f"DROP TABLE IF EXISTS {name}")


def note(con: duckdb.DuckDBPyConnection, print_: str, registers: dict[str, str]) -> None:
    """Note on what the published rows stand now."""
    told = json.dumps({"fingerprint": print_, "registers": registers, "counts": _counts(con)}, sort_keys=True)
    con.execute(f"INSERT OR REPLACE INTO {SETTINGS} VALUES ('{MADE_BY}', ?)", [told])  # noqa: S608 - own names


def _made(con: duckdb.DuckDBPyConnection) -> dict[str, object]:
    row = con.execute(f"SELECT value FROM {SETTINGS} WHERE name = '{MADE_BY}'").fetchall()  # noqa: S608 - own names
    try:
        made = json.loads(row[0][0]) if row else {}
    except (TypeError, ValueError):
        return {}
    return made if isinstance(made, dict) else {}


def _counts(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    return {name: _count(con, name) for name in COUNTED}


def _count(con: duckdb.DuckDBPyConnection, name: str) -> int:
    return number(con, f"SELECT count(*) FROM {name}")  # noqa: S608 - own names


def _tables(con: duckdb.DuckDBPyConnection) -> set[str]:
    rows = con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()").fetchall()
    return {row[0] for row in rows}
