"""What is tried in places that fail: each job with a store that is ready for it, and what it leaves undisturbed."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

from faults.places_child import Before, Ended, command, start
from faults.places_world import DRIVERS, World, make_world

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.pipeline import ingest, plan, score
from fleetbrake.reports.aliases import aliases
from fleetbrake.store.database import reading
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import DateFixed, Deferred
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import tables


@dataclass(frozen=True)
class Limits:
    """Under what a job runs: bytes that a file may have, the user's number, what is done in the child before."""

    file_limit: int | None = None
    uid: int | None = None
    before: Before | None = None

    @property
    def how(self) -> dict:
        """As the children take them."""
        return {"file_limit": self.file_limit, "uid": self.uid, "before": self.before}


FREE = Limits()
Run = Callable[[World, Limits], Ended]


@dataclass(frozen=True)
class Job:
    """Something that writes.

    Attributes
    ----------
    store : the store as it is before, kept aside.
    run : does it in a child, on the store of the world it is given.
    """

    name: str
    store: Path
    run: Run


@dataclass(frozen=True)
class Whole:
    """What a job leaves that nothing disturbed: exit status, tables before and after, entries, files."""

    status: int
    before: dict[str, list]
    after: dict[str, list]
    entered: tuple[int, int]
    files: frozenset[str]


@dataclass(frozen=True)
class Bench:
    """The world in which all is tried, with what it is made anew from before each trial."""

    world: World
    kept: Path
    jobs: dict[str, Job]
    wholes: dict[str, Whole]

    def laid_out(self, job: Job, store: Path | None = None) -> World:
        """The world as it was, with the store that the job needs."""
        world = self.world if store is None else replace(self.world, store=store)
        for part in (world.first, world.second, world.registers):
            shutil.rmtree(part, ignore_errors=True)
            shutil.copytree(self.kept / part.name, part)
        shutil.rmtree(world.store, ignore_errors=True)
        shutil.copytree(job.store, world.store)
        return world

    def whole(self, job: Job) -> Whole:
        """What the job leaves undisturbed; found out once."""
        if job.name not in self.wholes:
            world = self.laid_out(job)
            ended = job.run(world, FREE)
            assert ended.bad is None and ended.status == 0, ended
            entered = entered_in(job.store), entered_in(world.store)
            files = frozenset(files_of(world.store))
            self.wholes[job.name] = Whole(ended.status, tables(job.store), tables(world.store), entered, files)
        return self.wholes[job.name]


def make_bench(folder: Path) -> Bench:
    """A bench in ``folder``."""
    world, kept = make_world(folder / "world"), folder / "kept"
    for part in (world.first, world.second, world.registers):
        shutil.copytree(part, kept / part.name)
    stores = {"read": world.store, "scored": kept / "scored", "planned": kept / "planned"}
    shutil.copytree(world.store, kept / "read")
    stores["read"] = kept / "read"
    score(world.store)
    enter(world.store, "planner", "V1", DateFixed(on=date(2026, 1, 20)))
    shutil.copytree(world.store, stores["scored"])
    plan(world.store)
    ingest([], world.store, registers=world.registers)
    aliases(world.store)  # their key is drawn by lot, with the first report
    shutil.copytree(world.store, stores["planned"])
    made = [
        Job("ingest", stores["read"], _ingest),
        Job("score", stores["read"], _score),
        Job("plan", stores["scored"], _plan),
        Job("forget-driver", stores["planned"], _forget),
        Job("night", stores["read"], _night),
        Job("entering", stores["planned"], _enter),
        Job("report", stores["planned"], _report),
        Job("report beside", stores["planned"], _report_beside),
    ]
    return Bench(world, kept, {job.name: job for job in made}, {})


def _ingest(world: World, limits: Limits) -> Ended:
    return command(world.ingest, **limits.how)


def _score(world: World, limits: Limits) -> Ended:
    return command(["score", "--store", world.store], **limits.how)


def _plan(world: World, limits: Limits) -> Ended:
    return command(["plan", "--store", world.store], **limits.how)


def _forget(world: World, limits: Limits) -> Ended:
    return command(["forget-driver", DRIVERS[1], "--yes", "--store", world.store], **limits.how)


def _report(world: World, limits: Limits) -> Ended:
    """Into the store's own folder, so that it stands on the same disk."""
    return _reported(world, world.store / "out", limits)


def _report_beside(world: World, limits: Limits) -> Ended:
    return _reported(world, world.folder / "out", limits)


def _reported(world: World, out: Path, limits: Limits) -> Ended:
    return command(["report", "--store", world.store, "--month", world.month, "--out", out], **limits.how)


def _night(world: World, limits: Limits) -> Ended:
    config = world.folder / "night.toml"
    config.write_text(
        f'[store]\nfolder = "{world.store}"\n[recordings]\nfolders = ["{world.first}", "{world.second}"]\n'
        f'registers = "{world.registers}"\n'
    )
    return command(["nightly", "--config", config], **limits.how)


def _enter(world: World, limits: Limits) -> Ended:
    return start(partial(_entering, world.store), uid=limits.uid, file_limit=limits.file_limit).ended()


def _entering(store: Path) -> int:
    """As a page does it: a refusal is a sentence."""
    try:
        enter(store, "planner", "V2", *[Deferred(until=date(2026, 2, 1), reason="waiting for parts " * 90)] * 8)
    except FleetbrakeError as error:
        print(error)
        return 2
    return 0


def files_of(store: Path) -> set[str]:
    """Names of files in a store but for logs, which have the day in their names."""
    found = {path.relative_to(store).as_posix() for path in store.rglob("*") if path.is_file()}
    return {name for name in found if not name.startswith("logs/")}


def entered_in(store: Path) -> int:
    """How many entries a store has."""
    return len(entries(store))


def what_is_left(job: Job, whole: Whole, store: Path, status: int | None) -> str | None:
    """What is wrong with what a job left that was done, or refused: tables of one moment, entries all or none."""
    read_log(store)
    found, entered = tables(store), entered_in(store)
    if status == whole.status:
        return None if (found, entered) == (whole.after, whole.entered[1]) else "it said that all is done; it is not"
    # a night is several jobs, and a driver is forgotten from the first of its steps on
    if job.name not in ("night", "forget-driver") and found not in (whole.before, whole.after):
        names = [name for name, rows in found.items() if rows not in (whole.before[name], whole.after[name])]
        return f"tables of two moments, or of none: {names}"
    return None if entered in whole.entered else f"{entered} entries, neither {whole.entered[0]} nor all"


def again(job: Job, whole: Whole, world: World, but: tuple[str, ...] = ()) -> str | None:
    """The job once more with nothing in its way; what is not as if nothing had been, tables ``but`` apart."""
    if job.name == "entering" and entered_in(world.store) == whole.entered[1]:
        return None
    ended = job.run(world, FREE)
    if ended.bad is not None or ended.status != whole.status:
        return f"once more, status {ended.status}: {ended.said[-600:]}"
    found = tables(world.store)
    differ = [name for name, rows in found.items() if rows != whole.after[name] and name not in but]
    if differ:
        return f"once more, tables {differ} are not those of an undisturbed run"
    more = files_of(world.store) - whole.files
    return f"once more, left over: {sorted(more)}" if more else None


def readable(store: Path) -> bool:
    """Whether a reader opens the published database."""
    with reading(store) as con:
        return con.execute("SELECT count(*) FROM events").fetchone() is not None
