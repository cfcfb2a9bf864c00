"""Nights under clocks that are wrong, and whole runs in odd zones of the machine: counted trials.

A trial of a clock: a good night; then a new recording and a night at a wrong clock; then a good night. All tables must
then be those of the same recordings after good nights alone, the history of runs must know all three nights, and
nothing may have been dropped for its age. A trial of a zone: all tables must be those of another zone.
"""

import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from faults.older_stores import NAMES, entered_rows, unpacked, write_inputs
from faults.tally import Tally
from faults.time_world import NOW, Tables, World, day_on, differs, machine_zone, world

from fleetbrake import pipeline
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.store.database import reading

ROOT = Path(__file__).resolve().parents[2]
#: Clocks that machines have been seen to have: without a battery, before and after a change, at the ends of counters.
WRONG = (
    datetime(1970, 1, 1, 0, 0, 5, tzinfo=UTC),
    datetime(2100, 1, 6, tzinfo=UTC),
    NOW - timedelta(hours=2),
    NOW - timedelta(days=365),
    datetime(1980, 1, 1, tzinfo=UTC),
    datetime(2038, 1, 19, 3, 14, 8, tzinfo=UTC),
    datetime(2262, 4, 12, tzinfo=UTC),
    datetime(9999, 12, 30, tzinfo=UTC),
    NOW + timedelta(days=400),
)
ZONES = ("Pacific/Apia", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca")

_RUN = """
import sys
from pathlib import Path
from fleetbrake import pipeline
folder = Path(sys.argv[1])
pipeline.ingest([folder / "recordings"], folder / "store", registers=folder / "registers")
pipeline.score(folder / "store")
pipeline.plan(folder / "store")
"""


def good_nights(folder: Path) -> tuple[Path, Tables]:
    """A world after its first good night, put aside, and the tables of the same world after another recording and a
    second good night, which is spent in another zone of the machine: that must change nothing either."""
    here = world(folder / "here")
    here.night(NOW)
    begun = folder / "begun"
    here.folder.rename(begun)
    with _again(begun) as undisturbed:
        undisturbed.add("V1", "late", NOW - timedelta(hours=4))
        with machine_zone(ZONES[0]):
            undisturbed.night(day_on(1))
        return begun, undisturbed.rows()


def clock_trial(begun: Path, wanted: Tables, *wrong: datetime) -> str | None:
    """What went against what must hold after nights at these clocks, if anything."""
    with _again(begun) as tried:
        tried.add("V1", "late", NOW - timedelta(hours=4))
        for clock_ in wrong:
            problem = _night_problem(tried, clock_)
            if problem:
                return f"clock at {clock_}: {problem}"
        tried.night(day_on(1))
        known, expected = tried.nights(), 2 + sum(one > NOW - timedelta(days=390) for one in wrong)
        told = f"clock at {' and '.join(map(str, wrong))}"
        if len(known) < expected or known[0][0] != NOW.year:
            return f"{told}: the history knows {known}"
        if not tried.told_on(NOW):
            return f"{told}: what the first night told of the vehicles is gone"
        wrong_ones = differs(wanted, tried.rows())
        return f"{told}: {wrong_ones} differ from those of good nights" if wrong_ones else None


def _night_problem(tried: World, wrong: datetime) -> str | None:
    status, facts = tried.night(wrong)
    kept = facts.get("retention", {})
    if kept.get("dropped") or kept.get("emptied"):
        return f"{kept} of what is too old"
    if facts["seconds"] < 0 or facts["steps"].get("ingest") != "done":
        return f"the night said {facts}"
    if status and not (facts.get("error") or facts["problems"]):
        return f"status {status} without a word"
    return None


@contextmanager
def _again(begun: Path) -> Iterator[World]:
    """The world that was put aside, at its address: paths stand in its tables, so that trials take turns there."""
    here = begun.with_name("here")
    shutil.copytree(begun, here)
    try:
        yield World(here)
    finally:
        shutil.rmtree(here)


def zone_trial(zone: str, folder: Path) -> Tables:
    """The tables of a run of its own process in this zone of the machine; RuntimeError where it fails."""
    told = {**os.environ, "TZ": zone, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(
        [sys.executable, "-c", _RUN, str(folder)], env=told, capture_output=True, text=True, check=False
    )
    if ran.returncode:
        raise RuntimeError(f"{zone}: {ran.stderr[-500:]}")
    tables = World(folder).rows()
    shutil.rmtree(folder / "store")
    return tables


def older_trial(name: str, folder: Path) -> str | None:
    """An older store through every step of a night, recordings there; None if nothing of it was lost."""
    store = unpacked(name, folder)
    before = entered_rows(store) if (store / "entered.sqlite").is_file() else []
    try:
        pipeline.ingest([folder / "recordings"], store, registers=folder / "registers")
        pipeline.score(store)
        pipeline.plan(store)
        pipeline.report(store, "2026-01", folder / "out")
        with reading(store) as con:
            events = con.execute("SELECT count(*) FROM events").fetchall()[0][0]
        after = entered_rows(store) if before else []
        if events != 6:
            return f"{name}: {events} events of 6"
        return None if after[: len(before)] == before else f"{name}: what was entered has changed"
    except FleetbrakeError as error:
        return f"{name}: {error}"
    finally:
        shutil.rmtree(store, ignore_errors=True)


def LONG(seed: int, minutes: float) -> list[Tally]:
    """Every clock, and as many more at random as the seed gives; every zone; every older store."""
    drawn = random.Random(seed)
    clocks, zones, older = Tally("nights under a wrong clock"), Tally("zones of the machine"), Tally("older stores")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        begun, wanted = good_nights(folder)
        wrongs = [
            *WRONG,
            *(datetime(1971, 1, 1, tzinfo=UTC) + timedelta(days=drawn.uniform(0, 60_000)) for _ in range(31)),
        ]
        with clocks.timed():
            for wrong in wrongs:
                clocks.add("behind" if wrong < NOW else "ahead", clock_trial(begun, wanted, wrong))
        write_inputs(folder)
        base = zone_trial("UTC", folder)
        with zones.timed():
            for zone in ZONES:
                other = differs(base, zone_trial(zone, folder))
                zones.add(zone, f"{zone}: {other} differ" if other else None)
        with older.timed():
            for one in NAMES:
                older.add(one, older_trial(one, folder))
    return [clocks, zones, older]
