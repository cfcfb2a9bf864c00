"""What changed since a store was published last: files, registers, and the events whose rows that touches.

Each step leaves a temporary table that the next one reads:

- ``pub_files``: the log as it stands with the stamps of its pieces; ``pub_changed``: paths where it differs.
- ``pub_vehicles``, ``pub_trips``: vehicles and trips of which the registers say something else.
- ``pub_gone``, ``pub_touched``: what was known of events that are gone, or that an event of the same id or the same
  application came to or left.
- ``pub_write``: kept events whose published rows have to be made; ``pub_drop``: ids of published rows that go.
"""

import duckdb
import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.forgetting.hidden import shown_rows
from fleetbrake.store.lake import PIECE_KEY, Lake
from fleetbrake.store.lake_schema import LAKE_EVENTS
from fleetbrake.store.publishing.models import make, number, sql_of
from fleetbrake.store.publishing.state import EVENT_COLUMNS, EVENTS, FILE_COLUMNS, FILES
from fleetbrake.store.schema import clean_select

#: What is read of every event that is new: enough to tell what becomes of it.
_NARROW = (
    "event_id", "vehicle_id", "source_path", "row_start", "samples", "continuous", "started_at", "onset_s", "end_s",
)  # fmt: skip
#: Columns of the register of vehicles that published events follow from.
USED_OF_VEHICLES = (
    "vehicle_id", "category", "depot", "actuation", "abs_cutoff_speed_mps", "endurance_brake", "sensed_wheels",
    "lift_axles", "axles", "max_mass_kg",
)  # fmt: skip
_OF_APPLICATION = ", ".join(name for name in EVENT_COLUMNS if name not in ("fate", "kept_path"))
_OF_STAGING = ", ".join(name for name in EVENT_COLUMNS if name in {*_NARROW, PIECE_KEY, "onset_at", "end_at"})


def compare_files(con: duckdb.DuckDBPyConnection, log: pa.Table, lake: Lake) -> None:
    """Make ``pub_files``, ``pub_changed``, ``pub_new_keys`` and ``pub_gone_keys``; StoreError if a piece is missing."""
    with_names = {"pub_log": log, "pub_stamps": lake.stamps()}
    for name, table in with_names.items():
        con.register(name, table)
    con.execute(
        "CREATE TEMP TABLE pub_files AS SELECT l.*, s.events_stamp, s.wheels_stamp FROM pub_log AS l "
        "LEFT JOIN pub_stamps AS s ON s.key = l.key"
    )
    for name in with_names:
        con.unregister(name)
    if number(con, "SELECT count(*) FROM pub_files WHERE key IS NOT NULL AND events_stamp IS NULL"):
        lake.pieces(log.column("key").drop_null().to_pylist())
        raise StoreError(f"Feature rows went away while they were published ({lake.folder}).")
    differs = " OR ".join(f"o.{name} IS DISTINCT FROM n.{name}" for name in FILE_COLUMNS)
    piece = "(o.key, o.events_stamp, o.wheels_stamp) IS DISTINCT FROM (n.key, n.events_stamp, n.wheels_stamp)"
    con.execute(
        f"CREATE TEMP TABLE pub_changed AS SELECT coalesce(n.path, o.path) AS path, o.key AS old_key, "  # noqa: S608 - own names
        f"n.key AS new_key, {piece} AS other_rows FROM {FILES} AS o FULL JOIN pub_files AS n ON n.path = o.path "
        f"WHERE {differs}"
    )
    for made, key in (("pub_new_keys", "new_key"), ("pub_gone_keys", "old_key")):
        con.execute(
            f"CREATE TEMP TABLE {made} AS SELECT DISTINCT {key} AS {PIECE_KEY} FROM pub_changed "  # noqa: S608 - own names
            f"WHERE other_rows AND {key} IS NOT NULL"
        )
    con.execute("CREATE TEMP VIEW file_log AS SELECT * EXCLUDE (events_stamp, wheels_stamp) FROM pub_files")


def nothing_changed(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether files and vehicles are those that were published."""
    return not any(number(con, f"SELECT count(*) FROM {name}") for name in ("pub_changed", "pub_vehicles"))  # noqa: S608 - own names


def compare_events(con: duckdb.DuckDBPyConnection, lake: Lake, rest: AtRest) -> None:
    """Bring ``publishing_events`` up to date, and make ``pub_gone``, ``pub_touched`` and ``int_fates`` of what changed.

    Only what a change can reach is looked at again: of a vehicle's continuous recordings the events from the last one
    on that nothing before it reaches, and whatever shares an id with an event that is new, gone or among those.
    """
    _stage_new(con, lake, rest)
    gone = f"{PIECE_KEY} IN (SELECT {PIECE_KEY} FROM pub_gone_keys)"  # noqa: S608 - own names
    con.execute(f"CREATE TEMP TABLE pub_gone AS SELECT * FROM {EVENTS} WHERE {gone}")  # noqa: S608 - own names
    con.execute(f"CREATE TEMP TABLE pub_again AS {_AGAIN}")
    con.execute(
        f"CREATE TEMP TABLE stg_events AS SELECT {_OF_STAGING} FROM pub_new "  # noqa: S608 - own names
        f"UNION ALL SELECT {_OF_STAGING} FROM pub_again"
    )
    make(con, "int_applications")
    con.execute(
        "CREATE TEMP TABLE pub_ids AS SELECT event_id FROM pub_gone UNION SELECT event_id FROM int_applications"
    )
    con.execute(
        f"CREATE TEMP TABLE pub_touched AS SELECT * FROM {EVENTS} "  # noqa: S608 - own names
        f"WHERE event_id IN (SELECT event_id FROM pub_ids) AND NOT ({gone})"
    )
    con.execute(
        f"INSERT INTO int_applications SELECT {_OF_APPLICATION} FROM pub_touched AS t "  # noqa: S608 - own names
        f"ANTI JOIN pub_again AS a ON a.{PIECE_KEY} = t.{PIECE_KEY} AND a.event_id = t.event_id"
    )
    make(con, "int_fates")
    con.execute(f"DELETE FROM {EVENTS} WHERE event_id IN (SELECT event_id FROM pub_ids)")  # noqa: S608 - own names
    columns = ", ".join(EVENT_COLUMNS)
    con.execute(f"INSERT INTO {EVENTS} SELECT {columns} FROM int_fates ORDER BY {PIECE_KEY}, row_start, event_id")  # noqa: S608 - own names


def list_rows(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``pub_write`` and ``pub_drop`` of what changed in files and registers."""
    con.execute(f"CREATE TEMP TABLE pub_write AS {_WRITE}")
    con.execute(
        "CREATE TEMP TABLE pub_drop AS SELECT event_id FROM pub_gone WHERE fate = 'kept' "
        "UNION SELECT event_id FROM pub_write "
        "UNION SELECT t.event_id FROM pub_touched AS t ANTI JOIN int_fates AS f "
        "ON f.piece_key = t.piece_key AND f.event_id = t.event_id AND f.fate = 'kept' WHERE t.fate = 'kept'"
    )
    con.execute(
        "CREATE TEMP TABLE pub_paths AS SELECT path FROM pub_changed UNION SELECT source_path FROM int_fates "
        "UNION SELECT source_path FROM pub_gone"
    )


def note_files(con: duckdb.DuckDBPyConnection) -> None:
    """What was published is now ``pub_files``."""
    con.execute(f"DELETE FROM {FILES} WHERE path IN (SELECT path FROM pub_changed)")  # noqa: S608 - own names
    con.execute(
        f"INSERT INTO {FILES} SELECT {', '.join(FILE_COLUMNS)} FROM pub_files "  # noqa: S608 - own names
        "WHERE path IN (SELECT path FROM pub_changed) ORDER BY path"
    )


def _stage_new(con: duckdb.DuckDBPyConnection, lake: Lake, rest: AtRest) -> None:
    """Make ``pub_new``: the events of new pieces, as far as what becomes of them follows from it."""
    keys = [row[0] for row in con.execute(f"SELECT {PIECE_KEY} FROM pub_new_keys").fetchall()]  # noqa: S608 - own names
    columns = [*_NARROW, PIECE_KEY]
    con.register("pub_raw", shown_rows(lake.pieces(keys)[0], rest, columns))
    types = {**LAKE_EVENTS, PIECE_KEY: "VARCHAR"}
    con.execute(f"CREATE TEMP TABLE lake_events AS {clean_select({name: types[name] for name in columns}, 'pub_raw')}")
    con.unregister("pub_raw")
    con.execute(f"CREATE TEMP TABLE pub_new AS {sql_of('stg_events')}")
    con.execute("DROP TABLE lake_events")


#: Events of continuous recordings that a change may have moved from one application to another.
_AGAIN = f"""
WITH moved AS (
    SELECT vehicle_id, min(onset_at) AS first_at
    FROM (
        SELECT vehicle_id, onset_at FROM pub_gone WHERE continuous
        UNION ALL
        SELECT vehicle_id, onset_at FROM pub_new WHERE continuous
    )
    GROUP BY vehicle_id
),
cuts AS (
    SELECT m.vehicle_id, max(e.onset_at) AS cut_at
    FROM moved AS m
    LEFT JOIN {EVENTS} AS e
        ON e.vehicle_id IS NOT DISTINCT FROM m.vehicle_id AND e.continuous AND e.begins AND e.onset_at < m.first_at
    GROUP BY m.vehicle_id
)
SELECT e.*
FROM {EVENTS} AS e
JOIN cuts AS c ON c.vehicle_id IS NOT DISTINCT FROM e.vehicle_id
WHERE
    e.continuous
    AND (c.cut_at IS NULL OR e.onset_at IS NULL OR e.onset_at >= c.cut_at)
    AND e.{PIECE_KEY} NOT IN (SELECT {PIECE_KEY} FROM pub_gone_keys)
"""  # noqa: S608 - own names

#: Kept events that are new, that are kept now and were not, or of which a register says something else.
_WRITE = f"""
WITH since AS (SELECT vehicle_id, min(started_at) AS first_at FROM pub_trips GROUP BY vehicle_id)
SELECT f.{PIECE_KEY}, f.event_id
FROM int_fates AS f
LEFT JOIN pub_touched AS t ON t.{PIECE_KEY} = f.{PIECE_KEY} AND t.event_id = f.event_id
WHERE f.fate = 'kept' AND t.fate IS DISTINCT FROM 'kept'
UNION
SELECT e.{PIECE_KEY}, e.event_id
FROM {EVENTS} AS e
WHERE e.fate = 'kept' AND e.vehicle_id IN (SELECT vehicle_id FROM pub_vehicles)
UNION
SELECT e.{PIECE_KEY}, e.event_id
FROM {EVENTS} AS e
JOIN since AS s ON s.vehicle_id = e.vehicle_id AND e.started_at >= s.first_at
WHERE e.fate = 'kept'
"""  # noqa: S608 - own names
