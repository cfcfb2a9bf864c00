"""A small fleet for trials that kill: recordings and registers in two steps, and the commands that are tried on it.

Six vehicles and three weeks of the model's proving fleet: a command costs about a second, and scores, plan and report
have rows. Commits come after five files and blocks after four, so that a small run has many of both.
"""

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake import pipeline, taking_in
from fleetbrake.planning.wishes import fix_date
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.reports.aliases import aliases
from fleetbrake.simulation.proving.fleet import write_fleet
from fleetbrake.simulation.proving.setting import Size
from fleetbrake.store import gathering
from fleetbrake.store import lake as lakes
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.findings import enter_finding
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.publish import publish_recordings
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.forget import forget_driver
from fleetbrake.upkeep.retention import retain

SEED: Final = 7
MONTH: Final = "2026-01"
#: Who is forgotten while killed, and who was before, so that the key of the fingerprints stands.
FORGOTTEN, BEFORE = "D-003", "D-001"
#: Ages are counted from here: positions and drivers of January are too old.
RETAINED_ON: Final = date(2026, 4, 2)

#: A command: folder of the fleet, store, folder of reports.
Command = Callable[[Path, Path, Path], object]


def many_steps() -> None:
    """Commit, gather and fold after few files, in this process."""
    taking_in.PORTION_FILES, gathering.FEWEST, lakes.FOLD_FROM = 5, 4, 5  # type: ignore[misc]


def write_parts(folder: Path) -> None:
    """Recordings in ``first`` and ``later`` (the last week), one that is none, and three sets of registers."""
    write_fleet(folder / "made", SEED, Size(6, 8, 21))
    for path in sorted((folder / "made" / "recordings").rglob("*.parquet")):
        part = "later" if path.name.endswith("01-19.parquet") else "first"
        target = folder / part / path.parent.name / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        path.rename(target)
    (folder / "first" / "broken.parquet").write_bytes(b"PAR1 and nothing else")
    (folder / "made" / "registers").rename(folder / "registers")
    _change_a_file(folder)
    _registers(folder / "registers", folder / "registers-later", folder / "registers-changed")


def _registers(first: Path, later: Path, changed: Path) -> None:
    """Later ones have an open report, a note with a driver in it and dates; the changed ones other categories."""
    for folder in (later, changed):
        folder.mkdir()
    vehicles = pd.read_csv(first / "vehicles.csv")
    vehicles.loc[:1, "inspection_due_on"] = "2026-02-03"
    vehicles.to_csv(later / "vehicles.csv", index=False)
    vehicles.assign(category=vehicles["category"].map({"N1": "N2", "N3": "N1"}).fillna("M1")).to_csv(
        changed / "vehicles.csv", index=False
    )
    report = {"vehicle_id": vehicles["vehicle_id"][2:4], "reported_at": "2026-01-20T06:00:00Z", "severity": 3}
    pd.DataFrame({**report, "text": f"pulls to the left, driver {FORGOTTEN} says"}).to_csv(
        later / "defect_reports.csv", index=False
    )
    trips = pd.read_csv(first / "trips.csv")
    trips.iloc[: len(trips) // 2].to_csv(first / "trips.csv", index=False)
    trips.to_csv(later / "trips.csv", index=False)


def _change_a_file(folder: Path) -> None:
    """Beside the recordings: one of the first as it is, and with an event taken out of it."""
    path = sorted((folder / "first").rglob("from-*.parquet"))[4]
    table = pq.read_table(path)
    last = table.column("event_id")[table.num_rows - 1]
    for name, held in (("as-it-is", table), ("changed", table.filter(pc.not_equal(table.column("event_id"), last)))):
        target = folder / name / path.relative_to(folder)
        target.parent.mkdir(parents=True)
        pq.write_table(held, target)


def lay_out(folder: Path, *, changed: bool) -> None:
    """Put this state of that file in place; its size and time of change are the same each time."""
    shutil.copytree(folder / ("changed" if changed else "as-it-is"), folder, dirs_exist_ok=True)


def enter_some(store: Path) -> None:
    """What people enter between the runs: a finding whose note names a driver, and a fixed date."""
    with reading(store) as con:
        vehicles = [row[0] for row in con.execute("SELECT vehicle_id FROM vehicles ORDER BY 1").fetchall()]
    found = Inspection(
        inspection_id="", vehicle_id=vehicles[4], inspected_on=date(2026, 1, 24), wheel="1L", finding="brake_drag",
        severity=2, note=f"told by driver {FORGOTTEN}",
    )  # fmt: skip
    enter_finding(store, "workshop", [found])
    fix_date(store, vehicles[0], date(2026, 1, 28), "planner")
    aliases(store)  # their key is drawn by lot, with the first report


def forget_before(store: Path) -> None:
    """Forget somebody, so that the key of the fingerprints stands: it is drawn by lot."""
    forget_driver(store, BEFORE)


def _first(folder: Path, store: Path, _: Path) -> object:
    return pipeline.ingest([folder / "first"], store, registers=folder / "registers")


def _more(folder: Path, store: Path, _: Path) -> object:
    return pipeline.ingest([folder / "first", folder / "later"], store, registers=folder / "registers-later")


def _register(folder: Path, store: Path, _: Path) -> object:
    return pipeline.ingest([], store, registers=folder / "registers-changed")


def _anew(_: Path, store: Path, __: Path) -> object:
    with rebuilding(store, fresh=True) as con:
        publish_recordings(con, store, anew=True)
    return None


def _forget(_: Path, store: Path, __: Path) -> object:
    told = forget_driver(store, FORGOTTEN)
    if not told.complete:  # the search of every file found it
        raise AssertionError(told.facts())
    return told


def _repair(_: Path, store: Path, __: Path) -> object:
    """Of a store whose log is gone: it is made again, and all is published anew."""
    log_path(store).unlink(missing_ok=True)
    found = check_store(store, repair=True)
    if found.after is not None and not found.after.sound:
        raise AssertionError([(one.name, one.wrong.sentences) for one in found.after.outcomes if one.wrong.count])
    return found


#: The commands by name, in the order in which each begins with what the one before left (see ``kill_run.Ground``).
COMMANDS: Final[dict[str, Command]] = {
    "ingest": _first,
    "ingest of more": _more,
    "score": lambda _, store, __: pipeline.score(store),
    "plan": lambda _, store, __: pipeline.plan(store),
    "report": lambda _, store, out: pipeline.report(store, MONTH, out),
    "publish": _register,
    "publish anew": _anew,
    "forget-driver": _forget,
    "retain": lambda _, store, __: retain(store, RetentionPolicy(positions_and_drivers_months=2), RETAINED_ON),
    "check --repair": _repair,
}
