"""Published rows of events and wheels, made from the lake slice by slice, so that memory follows a slice."""

from collections.abc import Iterator

import duckdb
import pyarrow as pa

from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.forgetting.hidden import shown_rows
from fleetbrake.store.lake import DRIVER_FORGOTTEN, PIECE_KEY, Lake, PieceRows
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.publishing.models import make, sql_of
from fleetbrake.store.schema import append_rows, clean_select

#: Events made at a time; own choice: with their wheels some 300 MB while they are made.
SLICE_EVENTS = 40_000

#: In order; each reads those before it, ``int_fates`` and ``int_trips``.
_STEPS = (
    "int_events",
    "int_emergencies",
    "int_wheels",
    "int_wheel_words",
    "int_brake_work",
    "int_allowed_lockups",
)
_KEY = {PIECE_KEY: "VARCHAR"}
_SOURCES = (
    ("lake_events", {**LAKE_EVENTS, DRIVER_FORGOTTEN: "BOOLEAN", **_KEY}),
    ("lake_event_wheels", {**LAKE_EVENT_WHEELS, **_KEY}),
)
_ONSET = "started_at + to_microseconds(CAST(round(coalesce(onset_s, 0) * 1e6) AS BIGINT))"
#: Published events as the model of incidents reads them.
_OF_PEOPLE = f"SELECT event_id, {_ONSET} AS onset_at, driver_id, vehicle_id, not_braking FROM events"  # noqa: S608 - own names


def write_rows(con: duckdb.DuckDBPyConnection, lake: Lake, rest: AtRest, *, anew: bool) -> None:
    """Take the rows of ``pub_drop`` out of ``events`` and ``event_wheels`` and put those of ``pub_write`` in.

    Incidents are numbered. ``anew``: the tables are empty.
    """
    con.execute(f"CREATE TEMP TABLE pub_before AS {_facts('pub_drop')}")
    for name in ("events", "event_wheels"):
        con.execute(f"DELETE FROM {name} WHERE event_id IN (SELECT event_id FROM pub_drop)")  # noqa: S608 - own names
    con.execute("CREATE TEMP TABLE int_incidents (event_id VARCHAR, incident BIGINT)")
    wanted = f"SELECT vehicle_id FROM publishing_events SEMI JOIN pub_write USING ({PIECE_KEY}, event_id)"  # noqa: S608 - own names
    make(con, "int_trips", where="true" if anew else f"vehicle_id IN ({wanted})")
    con.execute("DROP TABLE IF EXISTS temp.stg_events")
    # the lake's rows come without a number, and are many and wide: as written, the other side is put into a hash table
    con.execute("SET disabled_optimizers = 'build_side_probe_side'")
    for keys in _slices(con, lake):
        _write_slice(con, lake, rest, keys)
    con.execute("RESET disabled_optimizers")
    con.execute("DROP TABLE temp.int_trips")
    if anew:
        number_incidents(con)
    else:
        con.execute(f"CREATE TEMP TABLE pub_after AS {_facts('pub_write')}")
        _number_again(con)
    con.execute("DROP TABLE temp.int_incidents")


def number_incidents(con: duckdb.DuckDBPyConnection) -> None:
    """Number the incidents of the published events anew, after a driver was taken out of them."""
    con.execute(f"CREATE TEMP VIEW int_events AS {_OF_PEOPLE}")
    try:
        con.execute(f"CREATE TEMP TABLE pub_numbered AS {sql_of('int_incidents')}")
        _take_numbers(con)
        con.execute("DROP TABLE temp.pub_numbered")
    finally:
        con.execute("DROP VIEW temp.int_events")


def _facts(listed: str) -> str:
    """What incidents and summaries ask of published events."""
    return (
        "SELECT vehicle_id, driver_id, started_at, source_path, not_braking, "  # noqa: S608 - own names
        f"{_ONSET} AS onset_at FROM events WHERE event_id IN (SELECT event_id FROM {listed})"
    )


def _slices(con: duckdb.DuckDBPyConnection, lake: Lake) -> Iterator[list[str]]:
    """Pieces of ``pub_write`` for some thousand events at a time, those of a block together, older blocks first."""
    listed = con.execute(
        f"SELECT {PIECE_KEY}, count(*), coalesce(min(started_at), TIMESTAMPTZ 'infinity') = TIMESTAMPTZ 'infinity', "  # noqa: S608 - own names
        f"min(epoch_us(started_at)) FROM publishing_events SEMI JOIN pub_write USING ({PIECE_KEY}, event_id) GROUP BY 1"
    ).fetchall()
    counted = {key: count for key, count, _, _ in listed}
    begun: dict[str, tuple[bool, int]] = {}
    blocks = {key: lake.block_of(key) or key for key in counted}
    for key, _, timeless, first in listed:
        begun[blocks[key]] = min(begun.get(blocks[key], (True, 0)), (timeless, first or 0))
    keys, events = list[str](), 0
    for key in sorted(counted, key=lambda key: (begun[blocks[key]], blocks[key], key)):
        keys.append(key)
        events += counted[key]
        if events >= SLICE_EVENTS:
            yield keys
            keys, events = [], 0
    if keys:
        yield keys


def _write_slice(con: duckdb.DuckDBPyConnection, lake: Lake, rest: AtRest, keys: list[str]) -> None:
    con.register("pub_keys", pa.table({PIECE_KEY: pa.array(keys, pa.string())}))
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE int_fates AS SELECT *, 'kept' AS fate FROM pub_write "  # noqa: S608 - own names
        f"SEMI JOIN pub_keys USING ({PIECE_KEY})"
    )
    con.unregister("pub_keys")
    for (name, columns), rows in zip(_SOURCES, lake.pieces(keys), strict=True):
        _show(con, name, columns, rows, rest)
    con.execute(f"CREATE TEMP VIEW stg_events AS {sql_of('stg_events')}")
    for step in _STEPS:
        make(con, step)
    con.execute("DROP VIEW temp.stg_events")
    for mart in ("events", "event_wheels"):
        con.execute(f"CREATE TEMP VIEW mart AS {sql_of(mart)}")
        try:
            append_rows(con, mart, "mart")
        finally:
            con.execute("DROP VIEW temp.mart")
    for step in _STEPS:
        con.execute(f"DROP TABLE temp.{step}")
    for name, _ in _SOURCES:
        con.execute(f"DROP VIEW temp.{name}")
        con.unregister(f"pub_{name}")


def _show(con: duckdb.DuckDBPyConnection, name: str, columns: dict[str, str], rows: PieceRows, rest: AtRest) -> None:
    """The lake's rows of these pieces, as a view that one model reads, once, and joins with what is to be written."""
    con.register(f"pub_{name}", shown_rows(rows, rest))
    con.execute(f"CREATE TEMP VIEW {name} AS {clean_select(columns, f'pub_{name}')}")


def _number_again(con: duckdb.DuckDBPyConnection) -> None:
    """Incidents of the people of events that came or went, from the first of those on.

    What was before stands as one event (``event_id`` NULL): the last one before, with the number it has.
    """
    con.execute(f"CREATE TEMP TABLE pub_people AS {_PEOPLE}")
    con.execute(f"CREATE TEMP TABLE pub_theirs AS {_THEIRS}")
    con.execute(
        "CREATE TEMP TABLE pub_last AS SELECT of_vehicle, person, max(onset_at) AS onset_at, max(incident) AS incident "
        "FROM pub_theirs WHERE earlier GROUP BY of_vehicle, person"
    )
    con.execute(f"CREATE TEMP VIEW int_events AS {_FROM_THEN_ON}")
    con.execute(f"CREATE TEMP TABLE pub_numbered AS {_CONTINUED.format(model=sql_of('int_incidents'))}")
    _take_numbers(con)
    con.execute("DROP VIEW temp.int_events")
    for name in ("pub_people", "pub_theirs", "pub_last", "pub_numbered"):
        con.execute(f"DROP TABLE temp.{name}")


def _take_numbers(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        "UPDATE events SET incident = n.incident FROM pub_numbered AS n "
        "WHERE n.event_id = events.event_id AND n.incident IS DISTINCT FROM events.incident"
    )


#: Drivers, and vehicles without one, whose incidents may have changed, and from when on (NULL: events without a time).
_PEOPLE = """
SELECT driver_id IS NULL AS of_vehicle, coalesce(driver_id, vehicle_id) AS person, min(onset_at) AS since
FROM (FROM pub_before UNION ALL FROM pub_after)
WHERE not_braking IS NULL
GROUP BY ALL
"""
_THEIRS = f"""
WITH found AS (
    SELECT
        event_id,
        {_ONSET} AS onset_at,
        driver_id IS NULL AS of_vehicle,
        coalesce(driver_id, vehicle_id) AS person,
        incident
    FROM events
    WHERE not_braking IS NULL
)
SELECT f.*, coalesce(f.onset_at < p.since, f.onset_at IS NOT NULL) AS earlier
FROM found AS f
JOIN pub_people AS p ON p.of_vehicle = f.of_vehicle AND p.person IS NOT DISTINCT FROM f.person
"""  # noqa: S608 - own names
_FROM_THEN_ON = """
SELECT
    event_id,
    onset_at,
    CASE WHEN NOT of_vehicle THEN person END AS driver_id,
    person AS vehicle_id,
    CAST(NULL AS VARCHAR) AS not_braking
FROM (
    SELECT event_id, onset_at, of_vehicle, person FROM pub_theirs WHERE NOT earlier
    UNION ALL
    SELECT NULL AS event_id, onset_at, of_vehicle, person FROM pub_last
)
"""
_CONTINUED = """
SELECT n.event_id, n.incident + coalesce(l.incident - 1, 0) AS incident
FROM ({model}) AS n
JOIN pub_theirs AS t ON t.event_id = n.event_id
LEFT JOIN pub_last AS l ON l.of_vehicle = t.of_vehicle AND l.person IS NOT DISTINCT FROM t.person
"""
