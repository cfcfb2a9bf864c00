"""What is published against what the lake gives: file by file, and row by row where all is made once more."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered import stamp
from fleetbrake.store.entered_lost import ENTERED_UP_TO
from fleetbrake.store.forgetting.at_rest import for_publishing
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import IngestLog
from fleetbrake.store.lost import lost_recordings
from fleetbrake.store.publish import publish_recordings, shown_log
from fleetbrake.store.publishing.state import FILE_COLUMNS, FILES
from fleetbrake.store.recount import PUBLISHED, RECOUNTED, differing
from fleetbrake.store.schema import SETTINGS
from fleetbrake.upkeep.check.outcome import Damage, Outcome
from fleetbrake.upkeep.check.published import other_models

#: Tables that what people entered is merged into.
_ENTERED_INTO: Final = frozenset({"vehicles", "inspections", "repairs", "defect_reports", "due_dates"})


def settings_of(con: duckdb.DuckDBPyConnection, whole: set[str]) -> dict[str, str]:
    """What holds for the whole published file."""
    if SETTINGS not in whole:
        return {}
    return dict(con.execute(f"SELECT name, value FROM {PUBLISHED}.main.{SETTINGS}").fetchall())  # noqa: S608 - own names


def check_files_published(
    con: duckdb.DuckDBPyConnection, store: Path, log: IngestLog, whole: set[str], out: Outcome, damage: Damage
) -> bool:
    """Whether the published file is of the files that the log names now."""
    if FILES not in whole:
        out.looked_at = "not known of which files it was made: all rows are compared"
        if "ingest_log" in whole:
            try:
                shown = shown_log(store, for_publishing(store), log)
            except StoreError:  # told by the checks of who was forgotten and what is held
                return True
            _tell_unnamed(lost_recordings(con, shown, f"{PUBLISHED}.main."), _names_left_out(store), out, damage)
        return not damage.unnamed
    given = {"check_log": log.table(), "check_stamps": Lake(store).stamps()}
    for name, table in given.items():
        con.register(name, table)
    differs = " OR ".join(f"o.{name} IS DISTINCT FROM n.{name}" for name in FILE_COLUMNS)
    rows = con.execute(
        "SELECT coalesce(n.path, o.path), n.path IS NULL "  # noqa: S608 - own names
        "FROM (SELECT l.*, s.events_stamp, s.wheels_stamp FROM check_log AS l "
        "LEFT JOIN check_stamps AS s ON s.key = l.key) AS n "
        f"FULL JOIN {PUBLISHED}.main.{FILES} AS o ON o.path = n.path WHERE {differs} ORDER BY 1"
    ).fetchall()
    for name in given:
        con.unregister(name)
    out.looked_at = f"{len(log)} files"
    hide = _names_left_out(store)
    for path, unnamed in rows:
        if unnamed:
            _tell_unnamed([path], hide, out, damage)
            continue
        out.wrong.add(
            f"{hide(path)}: what was read of it is not what was published; a run was ended before it published."
        )
        damage.publish = True
    return not rows


def _names_left_out(store: Path) -> Callable[[str], str]:
    """Paths may name who was forgotten, where older copies were put back."""
    try:
        return Forgetter(read_tombstones(store)).text
    except StoreError:  # told by the check of who was forgotten
        return lambda path: path


def _tell_unnamed(paths: Iterable[str], hide: Callable[[str], str], out: Outcome, damage: Damage) -> None:
    for path in paths:
        out.wrong.add(f"{hide(path)}: published, and the log does not name it any more; read it again.")
        damage.unnamed.add(path)


def check_recount(con: duckdb.DuckDBPyConnection, store: Path, whole: set[str], out: Outcome, damage: Damage) -> None:
    """Publish all once more into the private database, and compare every table that publishing makes."""
    settings = settings_of(con, whole)
    if other_models(settings):
        out.notes.add("Published by another version, or with other thresholds: the next ingest publishes all anew.")
        out.looked_at = "not compared"
        return
    known = settings.get(ENTERED_UP_TO)
    try:
        publish_recordings(con, store, anew=True, recount_to=int(known) if known is not None else stamp(store))
    except StoreError as error:
        out.wrong.add(f"The rows cannot be made: {error}")
        return
    passed = _ENTERED_INTO if known is None and stamp(store) else frozenset[str]()
    if passed:
        out.notes.add(f"Not compared, since an older version merged them: {', '.join(sorted(passed))}.")
    compared = [name for name in RECOUNTED if name in whole and name not in passed]
    for name in compared:
        more, less = differing(con, name)
        if more or less:
            out.wrong.add(f"{name}: {more} published rows are not what the lake and the registers give, {less} lack.")
            damage.publish = True
    out.looked_at = f"{len(compared)} tables, row for row"
