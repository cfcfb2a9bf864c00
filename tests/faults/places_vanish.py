"""Folders that go away while they are read or written, and disks that answer with an error in the middle."""

import errno
import importlib
import os
import shutil
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any

import pyarrow as pa
from faults.places_child import Ended
from faults.places_jobs import Bench, Limits, Whole, again, what_is_left
from faults.places_world import World
from faults.tally import Tally

from tests.cluster.same_rows import tables

#: Beside a folder that was moved away.
AWAY = ".away"
GONE = (errno.EIO, errno.ESTALE, errno.ENOTCONN, errno.ETIMEDOUT)


@dataclass(frozen=True)
class Moment:
    """Just before a function of the product is called for the so many-th time."""

    module: str
    name: str
    number: int = 1

    def before(self, action: Callable[[], None]) -> None:
        """Have it done then, in this process."""
        module, calls = importlib.import_module(self.module), count(1)
        real = getattr(module, self.name)

        def called(*given: Any, **named: Any) -> Any:
            if next(calls) == self.number:
                action()
            return real(*given, **named)

        setattr(module, self.name, called)


def read_number(number: int) -> Moment:
    """Before so many recordings are read."""
    return Moment("fleetbrake.taking_in", "read_file", number)


# --- recordings ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """Something that happens to recordings while they are read.

    ``before`` is done in the child, ``put`` before it and ``back`` after it.
    """

    how: str
    put: Callable[[World], None]
    before: Callable[[World], None]
    back: Callable[[World], None]
    named: tuple[str, ...]
    but: tuple[str, ...] = ()


def _nothing(world: World) -> None:
    del world


def move_away(folder: Path) -> None:
    """The folder is not there any more."""
    folder.rename(folder.with_name(folder.name + AWAY))


def move_back(folder: Path) -> None:
    """It is there again; what was put in its place meanwhile is not."""
    away = folder.with_name(folder.name + AWAY)
    if away.exists():
        shutil.rmtree(folder, ignore_errors=True)
        away.rename(folder)


def of_recordings() -> list[Reading]:
    """All of them."""
    found = []
    for part in ("first", "second"):
        for number in (1, 3, 5):
            found.append(_moving(part, number))
    for number, (what, fault) in enumerate((w, f) for w in ("r0000", "r0004") for f in FAULTS):
        found.append(_failing(what, fault, GONE[number % len(GONE)]))
    found += [Reading(f"{name} among recordings", put, _nothing, _take_out, named) for name, put, named in ODD]
    return found


def _moving(part: str, number: int) -> Reading:
    named = (f"/{part}/", "No such file") if number < 5 or part == "second" else ()
    how = f"{part}/ gone before file {number}"
    return Reading(how, _nothing, partial(_away_before, part, number), partial(_back, part), named)


def _away_before(part: str, number: int, world: World) -> None:
    read_number(number).before(partial(move_away, getattr(world, part)))


def _back(part: str, world: World) -> None:
    move_back(getattr(world, part))


#: Where the system's error comes: when a file is looked at, opened, read, hashed, decoded.
FAULTS = ("stat", "open", "read", "hash", "decode")


def _failing(what: str, fault: str, number: int) -> Reading:
    before = partial(_failing_before, what, fault, number)
    named = () if (what, fault) == ("r0000", "decode") else (what,)  # known by its hash, so that nobody decodes it
    return Reading(f"{errno.errorcode[number]} at {fault} of {what}", _nothing, before, _nothing, named)


def _failing_before(what: str, fault: str, number: int, world: World) -> None:
    del world
    fail(what, fault, number)


class _Failing:
    """A file of which the so many-th reading fails."""

    def __init__(self, path: Path, reads: int, number: int) -> None:
        self._file, self._left, self._number = path.open("rb"), reads, number
        self.closed = False

    def read(self, size: int = -1) -> bytes:
        self._left -= 1
        if self._left < 0:
            raise OSError(self._number, os.strerror(self._number))
        return self._file.read(size)

    def seek(self, to: int, whence: int = 0) -> int:
        return self._file.seek(to, whence)

    def tell(self) -> int:
        return self._file.tell()

    def close(self) -> None:
        self.closed = True
        self._file.close()


def fail(what: str, fault: str, number: int) -> None:
    """From now on the system answers so about files of this name, in this process."""
    from fleetbrake.recordings import at_hand

    opened, looked_at = pa.OSFile, Path.stat

    def refuse() -> None:
        raise OSError(number, os.strerror(number), what)

    def stat(path: Path, **how: Any) -> os.stat_result:
        if fault == "stat" and what in path.name:
            refuse()
        return looked_at(path, **how)

    def os_file(path: Any, *given: Any) -> Any:
        if what not in os.fsdecode(path) or fault == "stat":
            return opened(path, *given)
        if fault == "open":
            refuse()
        # hashing reads twice: the content and its end
        reads = {"read": 0, "hash": 0, "decode": 3}[fault]
        return pa.PythonFile(_Failing(Path(os.fsdecode(path)), reads, number), mode="r")

    if fault in ("hash", "decode"):
        at_hand._SMALL = 1
    Path.stat, pa.OSFile = stat, os_file


def _pipe(world: World) -> None:
    os.mkfifo(world.second / "odd.parquet")


def _socket(world: World) -> None:
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(world.second / "odd.parquet"))


def _dangling(world: World) -> None:
    (world.second / "odd.parquet").symlink_to(world.folder / "nowhere")


def _circle(world: World) -> None:
    (world.second / "odd.parquet").symlink_to(world.second / "odd.parquet")


def _folder_of_that_name(world: World) -> None:
    (world.second / "odd.parquet").mkdir()
    (world.second / "odd.parquet" / "part.txt").write_text("")


def _link_elsewhere(world: World) -> None:
    (world.second / "odd").symlink_to(world.folder.parent)


def _link_to_itself(world: World) -> None:
    (world.second / "odd").symlink_to(world.second)


def _device(world: World) -> None:
    os.mknod(world.second / "odd.parquet", 0o600 | 0o020000, os.makedev(1, 5))  # zeros without an end


#: What may lie among recordings, and what is told of it; nothing of what is no recording and no loss.
ODD: list[tuple[str, Callable[[World], None], tuple[str, ...]]] = [
    ("a pipe", _pipe, ("odd.parquet", "no regular file")),
    ("a socket", _socket, ("odd.parquet", "no regular file")),
    ("a link to nowhere", _dangling, ("odd.parquet", "nowhere")),
    ("a link to itself", _circle, ("odd.parquet",)),
    ("a folder called like a recording", _folder_of_that_name, ()),
    ("a link to a folder elsewhere", _link_elsewhere, ("odd", "link to a folder")),
    ("a link to the folder above", _link_to_itself, ()),
]
if os.name == "posix" and os.getuid() == 0:
    ODD.append(("a device", _device, ("odd.parquet", "no regular file")))


def _take_out(world: World) -> None:
    odd = [*world.second.glob("odd*")]
    for path in odd:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()


def tried(tally: Tally, bench: Bench, case: Reading) -> None:
    """One trial: all that can be read is in, what cannot is told, nothing that was there before is lost."""
    job = bench.jobs["ingest"]
    whole, world = bench.whole(job), bench.laid_out(job)
    try:
        case.put(world)
        ended = job.run(world, Limits(before=partial(case.before, world) if case.before is not _nothing else None))
        case.back(world)
        wrong = ended.bad or _told(case, ended) or _kept(whole, world, but=case.but)
        wrong = wrong or again(job, whole, world, case.but)
        tally.add("told" if case.named else "went through", wrong and f"ingest with {case.how}: {wrong}")
    except Exception as error:
        tally.add("broken", f"ingest with {case.how}: {type(error).__name__}: {error}")
    finally:
        case.back(world)


def _told(case: Reading, ended: Ended) -> str | None:
    expected = 1 if case.named else 0
    if ended.status != expected:
        return f"its status is {ended.status} instead of {expected}: {ended.said[-600:]}"
    missing = [word for word in case.named if word.lower() not in ended.said.lower()]
    return f"{missing} is not in what it says: {ended.said[-600:]}" if missing else None


def _kept(whole: Whole, world: World, but: tuple[str, ...]) -> str | None:
    """Rows that were there before and should be there still: events, and what wheels did in them."""
    found = tables(world.store)
    for name in ("events", "event_wheels"):
        # a register that came in meanwhile changes what a row says, not whose it is: event, and wheel
        lost = {row[:2] for row in whole.before[name]} - {row[:2] for row in found[name]}
        twice = len(found[name]) != len({row[:2] for row in found[name]})
        strange = [row for row in found[name] if row not in whole.after[name] and row not in whole.before[name]]
        if name not in but and (lost or twice or strange):
            return f"{name}: {len(lost)} rows lost, {len(strange)} that no undisturbed run has, twice: {twice}"
    return None


# --- the store -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StoreGone:
    """Something that happens to the store just before a moment of a job."""

    job: str
    how: str
    moment: Moment
    action: Callable[[Path], None]


def _unlocked(store: Path) -> None:
    (store / "store.lock").unlink()


def _replaced(store: Path) -> None:
    """An empty folder in its place, as a disk leaves it that is not mounted any more."""
    move_away(store)
    store.mkdir()


def of_store() -> list[StoreGone]:
    """All of them."""
    reading_one, reading_last = read_number(1), read_number(5)
    logging = Moment("fleetbrake.pipeline", "commit_log")
    publishing = Moment("fleetbrake.pipeline", "publish_recordings")
    renaming = Moment("fleetbrake.store.database", "_publish")
    scoring = Moment("fleetbrake.scoring.models", "_make", 30)
    moments = [("ingest", one) for one in (reading_one, reading_last, logging, publishing, renaming)]
    moments += [("score", scoring), ("score", renaming), ("plan", renaming), ("forget-driver", renaming)]
    found = []
    for job, moment in moments:
        for how, action in (
            ("gone", move_away),
            ("replaced by an empty folder", _replaced),
            ("without lock", _unlocked),
        ):
            if action is _unlocked and moment in (scoring, logging):
                continue
            found.append(StoreGone(job, f"the store {how} before {moment.name} {moment.number}", moment, action))
    return found


def tried_store(tally: Tally, bench: Bench, case: StoreGone) -> None:
    """One trial: it is told, nothing is written in another place, and with the store back all is as ever."""
    job, how = bench.jobs[case.job], f"{case.job} with {case.how}"
    whole, world = bench.whole(job), bench.laid_out(job)
    try:
        before = partial(case.moment.before, partial(case.action, world.store))
        ended = job.run(world, Limits(before=before))
        wrong = ended.bad or _refused(case, ended, world) or _elsewhere(world)
        move_back(world.store)
        wrong = wrong or what_is_left(job, whole, world.store, 2) or again(job, whole, world)
        tally.add("refused", wrong and f"{how}: {wrong}")
    except Exception as error:
        tally.add("broken", f"{how}: {type(error).__name__}: {error}")
    finally:
        move_back(world.store)


def _refused(case: StoreGone, ended: Ended, world: World) -> str | None:
    if ended.status != 2:
        return f"its status is {ended.status} instead of 2: {ended.said[-600:]}"
    return None if str(world.store) in ended.said else f"it does not say where: {ended.said[-600:]}"


def _elsewhere(world: World) -> str | None:
    """What was written where the store was, and is none any more."""
    away = world.store.with_name(world.store.name + AWAY)
    if not away.exists() or not world.store.exists():
        return None
    left = sorted(path.relative_to(world.store).as_posix() for path in world.store.rglob("*") if path.is_file())
    return f"it wrote {left} into the place of the store" if left else None
