"""Places that fail: disks that are full, rights that are missing, folders that go away while they are used."""

import random
from pathlib import Path

from faults import places_denied, places_full, places_vanish
from faults.places_jobs import Bench, make_bench
from faults.tally import LongForm, Tally

Amounts = dict[str, tuple[int, ...]]

#: Bytes free in the short form: they give out in the first word, in the lake, in the copy, while publishing.
ROOMS: Amounts = {
    "ingest": (20_000, 6_200_000),
    "plan": (6_000_000,),
    "forget-driver": (300_000,),
    "entering": (4096,),
}
#: Bytes that a file may have in the short form, for hosts without a small file system and for what it cannot show.
LIMITS: Amounts = {"ingest": (5_600_000,), "plan": (4096,)}
#: Left to the long form, since they take longest: what they do in such places has tests of its own.
DEAR = ("night", "report", "report beside", "score")
#: Jobs of the long form: all of them.
ALL_JOBS = ("ingest", "night", "score", "plan", "forget-driver", "entering", "report")


def full(
    bench: Bench, folder: Path, rooms: dict[str, tuple[int, ...]], limits: dict[str, tuple[int, ...]]
) -> list[Tally]:
    """Each job with each amount of room, and with each size that a file may have."""
    on_disk, on_files = Tally("disk full"), Tally("files no larger than")
    with places_full.small_disk(folder) as disk:
        with on_disk.timed():
            for name, found in rooms.items() if disk else ():
                for room in found:
                    places_full.tried(on_disk, bench, bench.jobs[name], disk=disk, room=room)
        with on_files.timed():
            for name, found in limits.items():
                for limit in found:
                    places_full.tried(on_files, bench, bench.jobs[name], limit=limit)
    return [on_disk, on_files]


def denied(bench: Bench, every: int = 1, but: tuple[str, ...] = ()) -> Tally:
    """What may not be written or read, of jobs ``but`` some."""
    tally = Tally("rights missing")
    with tally.timed():
        for case in [one for one in places_denied.cases() if one.job not in but][::every]:
            places_denied.tried(tally, bench, case)
    return tally


def gone(bench: Bench, every: int = 1) -> Tally:
    """What goes away while it is read, and what is no recording."""
    tally = Tally("recordings gone")
    with tally.timed():
        for case in places_vanish.of_recordings()[::every]:
            places_vanish.tried(tally, bench, case)
    return tally


def store_gone(bench: Bench, every: int = 1, but: tuple[str, ...] = ()) -> Tally:
    """The store goes away while it is written, by jobs ``but`` some."""
    tally = Tally("store gone")
    with tally.timed():
        for case in [one for one in places_vanish.of_store() if one.job not in but][::every]:
            places_vanish.tried_store(tally, bench, case)
    return tally


def long(seed: int, minutes: float) -> list[Tally]:
    """Thirty amounts of room and twenty sizes of files for each job, drawn by the seed; all else in full."""
    del minutes
    drawn = random.Random(seed)
    with places_denied.open_folder() as folder:
        bench = make_bench(folder)
        rooms = {name: tuple(_amount(drawn) for _ in range(30)) for name in ALL_JOBS}
        limits = {name: tuple(max(4096, _amount(drawn)) for _ in range(20)) for name in ALL_JOBS if name != "night"}
        return [*full(bench, folder, rooms, limits), denied(bench), gone(bench), store_gone(bench)]


def _amount(drawn: random.Random) -> int:
    """Half of them small, half around the size of the database."""
    return int(10 ** drawn.uniform(2, 6)) if drawn.random() < 0.5 else drawn.randrange(4_000_000, 14_000_000)


LONG: LongForm = long
