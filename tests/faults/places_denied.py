"""Places that may not be written or read: folders, single files, recordings, a whole file system."""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from faults.places_child import Ended
from faults.places_jobs import Bench, Limits, again, what_is_left
from faults.places_world import World
from faults.tally import Tally

from fleetbrake.store.remembered import give_up

#: Another user than the one who may do everything; he owns what he is to work on.
NOBODY = 65534

Shut = Callable[[World], None]


@dataclass(frozen=True)
class Denied:
    """One way in which something is kept from a job.

    ``shut`` takes rights away, which come back before the job is done once more. ``named`` are words that must stand
    in what is said. ``status`` is that of the job: 0 where it is not to be disturbed.
    """

    job: str
    how: str
    shut: Shut
    status: int
    named: tuple[str, ...] = ()
    #: Tables that may differ afterwards.
    but: tuple[str, ...] = ()


def _in_store(name: str, bits: int) -> Shut:
    return lambda world: (world.store / name).chmod(bits)


def _every_folder(world: World) -> None:
    for folder in (world.store, *(p for p in world.store.rglob("*") if p.is_dir())):
        folder.chmod(0o555)


def _no_key(world: World) -> None:
    (world.store / "driver-aliases.key").unlink()
    give_up(world.store, "aliases")
    _every_folder(world)


def cases() -> list[Denied]:
    """All of them."""
    writers = ("ingest", "score", "plan", "forget-driver", "night", "entering", "report")
    found = [Denied(job, "a store that may not be written", _every_folder, 2, ("right to write",)) for job in writers]
    found.append(Denied("report beside", "a store that may not be written", _every_folder, 0))
    found.append(Denied("report beside", "a store that may not be written and has no key yet", _no_key, 2, ("key",)))
    return [*found, *_of_parts(), *_of_recordings()]


def _of_parts() -> list[Denied]:
    found = []
    for name in ("lake", "lake/events", "lake/event_wheels", "registers"):
        found.append(Denied("ingest", f"{name}/ that may not be written", _in_store(name, 0o555), 2, (name, "right")))
    for name in ("lake", "lake/events", "registers"):
        found.append(Denied("ingest", f"{name}/ that may not be read", _in_store(name, 0), 2, (name,)))
    for name in ("lake/log.parquet", "fleet.duckdb", "registers/vehicles.parquet", "store.lock"):
        found.append(Denied("ingest", f"{name} that may not be read", _in_store(name, 0), 2, (name, "denied")))
    for name in ("lake/log.parquet", "fleet.duckdb"):  # replaced by a rename, for which the folder's rights count
        found.append(Denied("ingest", f"{name} that may only be read", _in_store(name, 0o444), 0))
    for job in ("score", "plan", "report"):
        shut = _in_store("fleet.duckdb", 0)
        found.append(Denied(job, "fleet.duckdb that may not be read", shut, 2, ("fleet.duckdb", "denied")))
    for job in ("plan", "entering", "forget-driver"):
        shut = _in_store("entered.sqlite", 0)
        found.append(Denied(job, "entered.sqlite that may not be read", shut, 2, ("entered.sqlite",)))
    shut = _in_store("entered.sqlite", 0o444)
    found.append(Denied("entering", "entered.sqlite that may only be read", shut, 2, ("entered.sqlite", "right")))
    found.append(Denied("plan", "entered.sqlite that may only be read", shut, 0))
    return found


def _of_recordings() -> list[Denied]:
    found = [
        Denied("ingest", "a recording that may not be read", lambda w: _one(w).chmod(0), 1, ("r0003", "denied")),
        Denied("ingest", "recordings that may only be read", _read_only, 0),
    ]
    for bits, how in ((0o000, "no rights at all"), (0o444, "no right to enter"), (0o111, "no right to list")):
        shut = partial(_deeper, bits)
        # the log goes on telling of a file that was listed once
        seen = ("ingest_log",) if bits & 0o444 else ()
        found.append(Denied("ingest", f"a folder with {how}", shut, 1, ("deeper", "denied"), seen))
        found.append(Denied("night", f"a folder with {how}", shut, 1, ("denied",), seen))
    for name in ("vehicles.csv", "drivers.csv"):
        shut = partial(_register, name)
        found.append(Denied("ingest", f"a register {name} that may not be read", shut, 1, (name, "denied")))
    shut = partial(_register, "")
    found.append(Denied("ingest", "registers that may not be read", shut, 2, ("registers", "readable")))
    return found


def _one(world: World) -> Path:
    return sorted(world.second.glob("*.parquet"))[0]


def _deeper(bits: int, world: World) -> None:
    """A recording in a folder of its own."""
    folder = world.second / "deeper"
    folder.mkdir()
    shutil.copyfile(_one(world), folder / "a.parquet")
    folder.chmod(bits)


def _register(name: str, world: World) -> None:
    (world.registers / name).chmod(0)


def _read_only(world: World) -> None:
    for folder in (world.first, world.second):
        for path in folder.iterdir():
            path.chmod(0o444)
        folder.chmod(0o555)


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that every user can reach; pytest's own cannot be."""
    folder = Path(tempfile.mkdtemp(prefix="faults-places-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        open_up(folder)
        shutil.rmtree(folder)


def open_up(folder: Path) -> None:
    """Give all rights back."""
    folder.chmod(0o755)
    for path in folder.iterdir():
        if path.is_symlink() or not (path.is_dir() or path.is_file()):
            continue
        if path.is_dir():
            open_up(path)
        else:
            path.chmod(0o644)


def other_user(folder: Path) -> int | None:
    """Let another user own all of it, where this one could do everything; that user's number."""
    if os.getuid() != 0:
        return None
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY, follow_symlinks=False)
    return NOBODY


def tried(tally: Tally, bench: Bench, case: Denied) -> None:
    """One trial."""
    how, job = f"{case.job} with {case.how}", bench.jobs[case.job]
    whole = bench.whole(job)
    world = bench.laid_out(job)
    try:
        uid = other_user(world.folder)
        case.shut(world)
        ended = job.run(world, Limits(uid=uid))
        open_up(world.folder)
        wrong = ended.bad or _wrong(case, ended)
        if wrong is None and case.status != 1:
            wrong = what_is_left(job, whole, world.store, ended.status)
        shutil.rmtree(world.second / "deeper", ignore_errors=True)
        if wrong is None and case.status != 0:
            wrong = again(job, whole, world, case.but)
        tally.add(("went through", "told", "refused")[case.status], wrong and f"{how}: {wrong}")
    except Exception as error:
        tally.add("broken", f"{how}: {type(error).__name__}: {error}")
    finally:
        open_up(world.folder)


def _wrong(case: Denied, ended: Ended) -> str | None:
    if ended.status != case.status:
        return f"its status is {ended.status} instead of {case.status}: {ended.said[-600:]}"
    missing = [word for word in case.named if word.lower() not in ended.said.lower()]
    return f"{missing} is not in what it says: {ended.said[-600:]}" if missing else None
