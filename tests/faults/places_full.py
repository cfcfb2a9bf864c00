"""Disks that give out: a small file system filled up to so many bytes, and a limit to the size of any file."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from faults.places_child import Ended
from faults.places_jobs import Bench, Job, Limits, Whole, again, what_is_left
from faults.tally import Tally

#: Room of the small file system (bytes): several copies of the store.
ROOM = 48 * 2**20
#: Words by which a sentence says that a disk or file takes no more.
FULL_WORDS = ("No space left", "File too large", "disk is full", "disk I/O error", "has room", "free some space")


def tried(tally: Tally, bench: Bench, job: Job, *, disk: Path | None = None, room: int = 0, limit: int = 0) -> None:
    """One trial: the job with a disk that gives out, what it leaves, and the job again with room.

    Parameters
    ----------
    disk : a small file system, of which ``room`` bytes are left.
    limit : without ``disk``, the bytes that a file may have.
    """
    how = f"{job.name} with " + (f"{room} bytes free" if disk else f"files of {limit} bytes at most")
    whole = bench.whole(job)
    world = bench.laid_out(job, disk / "store" if disk else None)
    filler = world.folder.parent / "filler" if disk is None else disk / "filler"
    try:
        if disk is not None:
            _fill(filler, room)
        ended = job.run(world, Limits(file_limit=None if disk else limit))
        wrong = _told(ended, whole, world.store) or what_is_left(job, whole, world.store, ended.status)
        filler.unlink(missing_ok=True)
        wrong = wrong or (None if ended.status == whole.status else again(job, whole, world))
        tally.add("went through" if ended.status == whole.status else "refused", wrong and f"{how}: {wrong}")
    except Exception as error:
        tally.add("broken", f"{how}: {type(error).__name__}: {error}")
    finally:
        filler.unlink(missing_ok=True)


def _told(ended: Ended, whole: Whole, store: Path) -> str | None:
    """What is wrong with how it ended."""
    if ended.bad is not None or ended.status == whole.status:
        return ended.bad
    if ended.status != 2:
        return f"its status is {ended.status}: {ended.said[-300:]}"
    if str(store) not in ended.said or not any(word in ended.said for word in FULL_WORDS):
        return f"it does not say where, or what: {ended.said[-300:]}"
    return None


def _fill(filler: Path, room: int) -> None:
    """Leave so many bytes of the file system."""
    status = os.statvfs(filler.parent)
    with filler.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(1, status.f_bavail * status.f_frsize - room))


@contextmanager
def small_disk(folder: Path) -> Iterator[Path | None]:
    """A file system of its own of ``ROOM`` bytes; None where this user may not make one."""
    place = folder / "disk"
    place.mkdir()
    asked = ["mount", "-t", "tmpfs", "-o", f"size={ROOM},mode=0755", "tmpfs", str(place)]
    try:
        made = subprocess.run(asked, check=False, capture_output=True).returncode == 0
    except OSError:
        made = False
    if not made:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True)
