"""Reading by the workers of a cluster: found, looked at, given files in bunches, and taken back what became of them."""

import pickle
import queue
import secrets
import time
from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from fleetbrake.cluster import at_work, fit
from fleetbrake.cluster.bunches import bunches
from fleetbrake.cluster.engine import ANSWER_S, connected, first_line, threads_of, waited_for
from fleetbrake.cluster.machines import Machines
from fleetbrake.core.bounded import within
from fleetbrake.core.errors import ClusterError
from fleetbrake.handing_out import Fate, Handed, Job, Taken
from fleetbrake.recordings.story import printable
from fleetbrake.store.arriving import Drop, drop_of_run
from fleetbrake.store.lake import Lake
from fleetbrake.taking_in import rejected

#: Bunches handed out for each thread of a worker. Own choice: the next one is there when one is done.
_AHEAD: Final = 3
#: A job of so many bytes at most goes with each bunch. A bigger one (many forgotten drivers, holds with many trips)
#: goes once to each worker, but waits for a free one first. Own choice: 64 kB a bunch are 2 kB a file.
MOST_WITH_A_BUNCH: Final = 65_536
#: How often a bunch that failed on a worker is tried by another one.
_TRIES: Final = 2
#: Where nothing could be read yet, so many files read alone that each ended its workers show that it is the workers.
#: Own choice: a file that ends workers is rare, three of the first three are not.
_ENDED_ALONE: Final = 3
#: Every so often it is looked whether scheduler and workers are there (s); without any worker a run waits so long (s).
#: Own choices: workers that are started anew are back within a minute.
LOOK_S: Final = 2.0
NO_WORKERS_S: Final = 60.0
_KEPT: Final = "What had been read is kept; the next run reads the rest."


@dataclass(frozen=True)
class Cluster:
    """A cluster that answers, of which every worker can read for this process. Made by :func:`cluster_of`."""

    client: Any
    machines: Machines

    @contextmanager
    def workers(self, store: Path, left: list[str]) -> Iterator["Workers"]:
        """Its workers, ready to read for this store. Only for the holder of its writer's lock.

        ``left``: gets a sentence where something of the run cannot be removed at its end.

        Raises
        ------
        ClusterError
            A worker cannot write where the rows are to go; nothing was read.
        StoreError
            There is no place for rows on their way.
        """
        with drop_of_run(store, self.machines.handover, left) as drop:
            fit.check_sight(self.client, drop)
            yield Workers(self.client, self.machines.scheduler, drop, Lake(store))


@contextmanager
def cluster_of(machines: Machines) -> Iterator[Cluster]:
    """A cluster, looked at; nothing of a store is needed yet.

    Raises
    ------
    ClusterError
        It cannot be reached, has no workers, or one that is not fit to read for this one.
    """
    with connected(machines.scheduler) as client:
        waited_for(client, machines.scheduler)
        fit.check_versions(client)
        fit.check_memory(client)
        yield Cluster(client, machines)


class Workers:
    """Reads files on other machines; see :class:`fleetbrake.handing_out.Where`."""

    def __init__(self, client: Any, scheduler: str, drop: Drop, lake: Lake) -> None:
        self.rows = drop
        self._client, self._scheduler, self._lake = client, scheduler, lake
        self._run = secrets.token_hex(6)
        self._number = 0
        self._in_hand: dict[str, tuple[Any, list[Handed]]] = {}
        self._finished: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._threads = threads_of(client) or 1
        self._looked = self._seen = time.monotonic()
        self._ended_alone = 0
        self._any_read = False

    def bring(self, keys: list[str]) -> None:
        """Take the rows of these pieces into the lake."""
        self.rows.into(self._lake, keys)

    def committed(self) -> None:
        """Nothing hangs on it here."""

    def read(self, files: Iterator[Handed], job: Job) -> Iterator[tuple[Handed, Taken]]:
        """As they come. A file that ended the workers which read it is rejected, the others of its bunch are read.

        Raises
        ------
        ClusterError
            The scheduler or all workers went away, or a worker cannot go on for a reason that is none of the file's: it
            has too little memory to read anything, for one.
        """
        given = at_work.packed(job)
        suspects: list[Handed] = []
        try:
            if len(given) > MOST_WITH_A_BUNCH:
                given = self._client.submit(at_work.as_it_is, given, key=f"fleetbrake-job-{self._run}", pure=False)
            for bunch in bunches(files, self._threads):
                self._hand_over(given, bunch)
                while len(self._in_hand) > _AHEAD * self._threads:
                    yield from self._back(suspects)
                if suspects and not self._any_read:
                    yield from self._one_by_one(given, suspects, job)  # before more is tried in vain
            yield from self._one_by_one(given, suspects, job)
        finally:
            self._give_up()

    def _one_by_one(self, given: Any, suspects: list[Handed], job: Job) -> Iterator[tuple[Handed, Taken]]:
        """Wait for what is in hand, then read each suspect alone."""
        while self._in_hand:
            yield from self._back(suspects)
        for handed in sorted(suspects, key=lambda one: one.path):
            yield from self._alone(given, handed, job)
        suspects.clear()

    def _hand_over(self, given: Any, bunch: list[Handed]) -> None:
        self._number += 1
        key = f"fleetbrake-read-{self._run}-{self._number}"
        content = pickle.dumps([_everywhere(handed) for handed in bunch])
        try:
            future = self._client.submit(at_work.read_bunch, given, content, key=key, retries=_TRIES, pure=False)
        except Exception as error:
            raise self._gone() from error
        self._in_hand[key] = (future, bunch)
        future.add_done_callback(self._finished.put)

    def _alone(self, given: Any, handed: Handed, job: Job) -> Iterator[tuple[Handed, Taken]]:
        """Read a file while no other one is read, so that it is known for sure which one ends workers."""
        again: list[Handed] = []
        self._hand_over(given, [handed])
        while self._in_hand:
            yield from self._back(again)
        self._ended_alone += len(again)
        if self._ended_alone >= _ENDED_ALONE and not self._any_read:
            raise ClusterError(self._no_use())
        for culprit in again:
            if culprit.held:
                yield culprit, Taken(Fate.HELD, "")
                continue
            reason = f"{printable(culprit.path)}: each worker that read it ended (out of memory, perhaps)"
            yield culprit, Taken(Fate.READ, "", rejected(job, culprit.path, "", job.rest.text(reason)))

    def _back(self, suspects: list[Handed]) -> Iterator[tuple[Handed, Taken]]:
        """What became of the next bunch that is done; its files go to ``suspects`` if it ended its workers."""
        from distributed import KilledWorker

        key = self._next_done()
        future, bunch = self._in_hand.pop(key)
        try:
            results: list[Taken] = pickle.loads(future.result(timeout=ANSWER_S))  # noqa: S301 - from whoever was trusted with the files
        except KilledWorker:
            suspects += bunch
            return
        except ClusterError:
            raise
        except (OSError, CancelledError) as error:  # of the engine's: the connection is no more, or what was asked for
            raise self._gone() from error
        except Exception as error:
            raise ClusterError(f"A worker could not go on ({first_line(error)}). {_KEPT}") from error
        finally:
            future.release()
        self._any_read = True
        yield from zip(bunch, results, strict=True)

    def _next_done(self) -> str:
        while True:
            with suppress(queue.Empty):
                key = str(self._finished.get(timeout=LOOK_S).key)
                if key in self._in_hand:
                    return key
            self._look()

    def _look(self) -> None:
        """ClusterError if nobody is there any more who could go on."""
        now = time.monotonic()
        if now - self._looked < LOOK_S:
            return
        self._looked = now
        if self._client.status != "running":
            raise self._gone()
        try:
            threads = threads_of(self._client)
        except Exception as error:
            raise self._gone() from error
        if threads:
            self._threads, self._seen = threads, now
        elif now - self._seen > NO_WORKERS_S:
            names = [printable(handed.path) for _, bunch in self._in_hand.values() for handed in bunch]
            more = f" and {len(names) - 3} more" if len(names) > 3 else ""
            raise ClusterError(
                f"The scheduler {self._scheduler} has had no worker for {NO_WORKERS_S:g} s; in hand were "
                f"{', '.join(names[:3])}{more}. {_KEPT}"
            )

    def _gone(self) -> ClusterError:
        return ClusterError(f"The scheduler {self._scheduler} went away while recordings were read. {_KEPT}")

    def _no_use(self) -> str:
        """In words: the workers end whatever they read."""
        limits: set[int] = set()
        with suppress(Exception):
            found = within(ANSWER_S, lambda: self._client.run(fit.memory_limit, on_error="return"))
            limits = {limit for limit in found.values() if isinstance(limit, int)}
        may = f"one may use {min(limits) / 2**20:.0f} MiB" if limits else "none has a limit of its own"
        return (
            f"Nothing could be read: {self._ended_alone} files, each read alone, ended every worker that read them. "
            f"Most often that is too little memory ({may}, at least {fit.LEAST_MEMORY / 2**20:.0f} MiB are needed)."
        )

    def _give_up(self) -> None:
        """Nobody waits for what is still in hand: what has not begun is not begun."""
        futures = [future for future, _ in self._in_hand.values()]
        self._in_hand.clear()
        with suppress(Exception):  # whatever the end was, it has been told
            if futures and self._client.status == "running":
                within(ANSWER_S, lambda: self._client.cancel(futures, force=True))


def _everywhere(handed: Handed) -> Handed:
    """The file by a path that holds in any folder."""
    source = handed.source
    if not source.is_local or source.path.is_absolute():
        return handed
    return replace(handed, source=replace(source, place=source.path.absolute()))
