"""Crowds: several writers of one store at once, readers while it is published, people who enter while it is scored."""

import json
import shutil
import socket
from dataclasses import replace
from functools import partial
from pathlib import Path

from faults.crowd_work import enter_often, publish_often, read_often, wait_for
from faults.places_child import Child, begun, start, wait_until
from faults.places_denied import open_folder
from faults.places_jobs import Bench, Job, Whole, make_bench
from faults.places_vanish import Moment
from faults.places_world import World
from faults.tally import LongForm, Tally

from fleetbrake.core.tables import TABLES
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.entered import entries
from fleetbrake.store.lock import HOLDER_NAME, holder, writer_lock
from tests.cluster.same_rows import tables

#: The first of two holds the store until the second has met it.
_PUBLISHING = Moment("fleetbrake.pipeline", "publish_recordings")
#: Two writers: what each is called with, and the job whose undisturbed run has the rows of both.
PAIRS = {
    "two ingests of the same files": ("both", "both"),
    "two ingests of different files": ("first", "second"),
    "an ingest and a score": ("both", "score"),
    "an ingest and a plan": ("both", "plan"),
}


def _argv(what: str, world: World) -> list[str]:
    store = ["--store", str(world.store)]
    if what in ("score", "plan"):
        return [what, *store]
    named = {"both": [world.first, world.second], "first": [world.first], "second": [world.second]}[what]
    return ["ingest", *map(str, named), *store, "--registers", str(world.registers)]


def _ready(bench: Bench, pair: str) -> Job:
    """Whose store is ready for both: what is planned has scores before."""
    return bench.jobs["plan" if "plan" in PAIRS[pair] else "ingest"]


def meeting(tally: Tally, bench: Bench, pair: str) -> None:
    """The second finds the first at work, leaves with its name, comes again: rows as if one had followed the other."""
    whole, world = bench.whole(bench.jobs["ingest"]), bench.laid_out(_ready(bench, pair))
    one, other = (_argv(what, world) for what in PAIRS[pair])
    go = world.folder / "go"
    go.unlink(missing_ok=True)
    first = begun(one, before=partial(_PUBLISHING.before, partial(wait_for, go)))
    wait_until(lambda: holder(world.store), "the first writer")
    second = begun(other).ended()
    go.write_text("")
    ended = first.ended()
    wrong = ended.bad or second.bad or _left_with_name(second.status, second.said, first)
    wrong = wrong or (None if ended.status == 0 else f"the first ended with {ended.status}: {ended.said[-300:]}")
    if wrong is None:
        last = begun(other).ended()
        wrong = None if last.status == 0 else f"the second, later: {last.said[-300:]}"
        wrong = wrong or _rows(whole, world, scored="ingest" not in other)
    tally.add("left with the holder's name", wrong and f"{pair}: {wrong}")


def _left_with_name(status: int | None, said: str, first: Child) -> str | None:
    named = "'ingest'" in said and f"process {first.process.pid} " in said
    return None if status == 2 and named else f"the second ended with {status}: {said[-300:]}"


def _rows(whole: Whole, world: World, *, scored: bool = False) -> str | None:
    """What differs from the rows of one after the other; scores and what hangs on them only where nobody scored."""
    names = ("events", "event_wheels", "ingest_log", "unknown_ids") if scored else tuple(whole.after)
    found = tables(world.store)
    differ = [name for name in names if found[name] != whole.after[name]]
    return f"{differ} are not the rows of one after the other" if differ else None


def racing(tally: Tally, bench: Bench, pair: str) -> None:
    """Both begin at once; whoever finds the store held comes again."""
    whole, world = bench.whole(bench.jobs["ingest"]), bench.laid_out(_ready(bench, pair))
    argv = [_argv(what, world) for what in PAIRS[pair]]
    ended = [child.ended() for child in [begun(one) for one in argv]]
    wrong = next((one.bad for one in ended if one.bad), None)
    wrong = wrong or next((one.said[-300:] for one in ended if one.status not in (0, 2)), None)
    for one, how in zip(argv, ended, strict=True):
        if wrong is None and how.status == 2:
            wrong = None if "is being written by" in how.said else how.said[-300:]
            wrong = wrong or (None if begun(one).ended().status == 0 else "refused with nobody there")
    wrong = wrong or _rows(whole, world, scored=any("ingest" not in one for one in argv))
    met = sum(one.status == 2 for one in ended)
    tally.add("one left" if met else "one after the other", wrong and f"racing, {pair}: {wrong}")


def two_nights(tally: Tally, bench: Bench) -> None:
    """The second night waits for the first, and both are done."""
    job = bench.jobs["night"]
    whole, world = bench.whole(job), bench.laid_out(job)
    go, config = world.folder / "go", world.folder / "night.toml"
    go.unlink(missing_ok=True)
    first = begun(["nightly", "--config", config], before=partial(_PUBLISHING.before, partial(wait_for, go)))
    wait_until(lambda: holder(world.store), "the first night")
    second = begun(["nightly", "--config", config])
    wait_until(lambda: "Waiting for 'nightly'" in second.said(), "the word of the second night")
    go.write_text("")
    ended = [first.ended(), second.ended()]
    wrong = next((one.bad or one.said[-600:] for one in ended if one.bad or one.status != 0), None)
    wrong = wrong or _rows(whole, world)
    tally.add("waited", wrong and f"two nights: {wrong}")


#: Of so many publications a reader sees more than one, however busy the machine.
_MANY = 50


def readers(tally: Tally, bench: Bench, how_many: int, publications: int) -> None:
    """Many readers while the database is published again and again."""
    job = bench.jobs["forget-driver"]
    world = bench.laid_out(job)
    (world.store.parent / "publishing-is-over").unlink(missing_ok=True)
    with reading(world.store) as con:
        rows = {name: con.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in (*TABLES, "vehicles")}
    publish_often(world.store, 1)
    (world.store.parent / "publishing-is-over").unlink()
    children = [start(partial(read_often, world.store, rows)) for _ in range(how_many)]
    writer = start(partial(publish_often, world.store, publications))
    published = writer.ended()
    tally.add("published", published.bad or (published.said[-300:] if published.status else None))
    for child in children:
        ended = child.ended()
        failed = ended.bad or (ended.said[-600:] if ended.status else None)
        words = ended.said.split()
        if failed is None and publications >= _MANY and int(words[3]) < 2:
            failed = "it saw one publication only, so that it read beside none"
        tally.add("readers", failed and f"a reader while {publications} are published: {failed}")
        if failed is None:
            tally.parts["readings"] += int(words[1])


def enterers(tally: Tally, bench: Bench, how_many: int, times: int) -> None:
    """People enter while the fleet is scored and planned: nothing is lost, and each entry is there once."""
    job = bench.jobs["plan"]
    world = bench.laid_out(job)
    before = len(entries(world.store))
    people = [start(partial(enter_often, world.store, who, times)) for who in range(how_many)]
    ended = [begun([what, "--store", world.store]).ended() for what in ("score", "plan")]
    ended += [child.ended() for child in people]
    wrong = next((one.bad or one.said[-300:] for one in ended if one.bad or one.status != 0), None)
    made = [(entry.made_by, entry.body) for entry in entries(world.store) if entry.made_by.startswith("person")]
    each = {who: [body for by, body in made if by == f"person {who}"] for who in range(how_many)}
    if wrong is None and any(len(bodies) != times for bodies in each.values()):
        wrong = f"{len(made)} entries of {how_many * times}"
    assert before == 1
    tally.add(f"{how_many * times} entries", wrong and f"entering while scored: {wrong}")


#: A store's folder may be called so; only the last is refused, since DuckDB would open another file.
ODD_PATHS = ("it's a store; 100% --", "Größe  日本", 'with "quotes" & <tags>', "what?")


def odd_path(tally: Tally, bench: Bench, name: str) -> None:
    """The whole job in a store of an odd name."""
    job = bench.jobs["ingest"]
    whole, world = bench.whole(job), bench.laid_out(job)
    odd = world.folder / name
    shutil.rmtree(odd, ignore_errors=True)
    world.store.rename(odd)
    there = replace(world, store=odd)
    ended = [begun(one).ended() for one in (_argv("both", there), _argv("score", there), _argv("plan", there))]
    wrong = next((one.bad for one in ended if one.bad), None)
    if "?" in name:
        wrong = wrong or (None if ended[0].status == 2 and "question mark" in ended[0].said else ended[0].said)
    else:
        wrong = wrong or next((one.said[-300:] for one in ended if one.status != 0), None)
        wrong = wrong or _rows(whole, there, scored=True)
    tally.add("refused" if "?" in name else "went through", wrong and f"a store called {name!r}: {wrong}")


def other_host(tally: Tally, store: Path) -> None:
    """A word of a holder on another machine is no lock, but is told where the lock is held."""
    word = {"command": "ingest", "pid": 1, "host": f"not-{socket.gethostname()}", "since": "2026-01-01T00:00:00+00:00"}
    (store / HOLDER_NAME).write_text(json.dumps(word))
    with writer_lock(store, "score"):  # whoever wrote the word is gone: the lock is free
        mine = holder(store)
    wrong = None if mine is not None and mine.command == "score" else f"the holder is {mine}"
    with rebuilding(store):
        (store / HOLDER_NAME).write_text(json.dumps(word))
        child = begun(["score", "--store", store]).ended()
    if wrong is None and not (child.status == 2 and word["host"] in child.said):
        wrong = f"status {child.status}: {child.said[-300:]}"
    (store / HOLDER_NAME).unlink(missing_ok=True)
    tally.add("told", wrong and f"a holder on another host: {wrong}")


def short(
    bench: Bench, *, races: int = 0, many: tuple[int, int] = (2, 5), people: tuple[int, int] = (2, 6)
) -> list[Tally]:
    """All kinds of crowd, as often as said."""
    kinds = [
        Tally("writers that meet"),
        Tally("writers that race"),
        Tally("readers"),
        Tally("entering"),
        Tally("stores"),
    ]
    meet, race, read, write, odd = kinds
    with meet.timed():
        for pair in PAIRS if races else list(PAIRS)[1:2]:
            meeting(meet, bench, pair)
        if races:  # a night that waits has tests of its own
            two_nights(meet, bench)
    with race.timed():
        for number in range(races):
            racing(race, bench, list(PAIRS)[number % len(PAIRS)])
    with read.timed():
        readers(read, bench, *many)
    with write.timed():
        enterers(write, bench, *people)
    with odd.timed():
        for name in ODD_PATHS if races else (" ".join(ODD_PATHS[:3]), ODD_PATHS[-1]):
            odd_path(odd, bench, name)
        other_host(odd, bench.laid_out(bench.jobs["score"]).store)
    return kinds


def long(seed: int, minutes: float) -> list[Tally]:
    """Forty races, ten readers of a hundred publications, eight people with sixty entries each."""
    del seed, minutes
    with open_folder() as folder:
        return short(make_bench(folder), races=40, many=(10, 100), people=(8, 60))


LONG: LongForm = long
