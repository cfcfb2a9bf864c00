"""Which files of a run are read with care: those that were in hand when an earlier run died, and all after some deaths.

They are tried alone in a process of their own, see :mod:`fleetbrake.alone`; the log then says what became of them.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final

from fleetbrake.alone import Alone
from fleetbrake.handing_out import Fate, Handed, Job, Taken
from fleetbrake.recordings.sources import Source
from fleetbrake.recordings.story import printable
from fleetbrake.store.in_hand import InHand
from fleetbrake.store.log import LogEntry
from fleetbrake.taking_in import WORKERS, read_file, rejected

#: After so many runs in a row that died with files in hand each file is read with care, at half the speed: from then on
#: no file can end a run. Own choice: files that do so come singly, or a broken logger has written many.
MOST_DEATHS: Final = 3


class Careful:
    """See :class:`fleetbrake.taking_in.Care`. For the holder of the writer's lock."""

    def __init__(self, in_hand: InHand, alone: Alone) -> None:
        self._in_hand, self._alone = in_hand, alone
        self._settled: list[str] = []
        self._not_tried: set[str] = set()

    def is_for(self, handed: Handed) -> bool:
        """Whether the file is to be read alone."""
        return self._in_hand.deaths >= MOST_DEATHS or self._in_hand.is_suspect(handed.source.address)

    def read(self, handed: Handed, job: Job) -> Taken:
        """Read it alone. What ends two processes is rejected; a suspect's entry is to be committed at once."""
        address = handed.source.address
        suspect = self._in_hand.is_suspect(address)
        taken = self._alone.read(handed, job, deaths=int(suspect))
        if not suspect:
            return taken or self._read_here(handed, job)
        if taken is None:
            taken = Taken(Fate.READ, "", _not_tried(handed, job))
        if not taken.sha256:  # it was not seen: the next run is to be as careful
            self._not_tried.add(address)
            return taken
        self._settled.append(address)
        return replace(taken, at_once=True)

    @contextmanager
    def reading(self, handed: Handed) -> Iterator[None]:
        """Any other file is read while the block runs."""
        with self._in_hand.holding(handed.source.address):
            yield

    def committed(self) -> None:
        """What was read alone is no suspect any more."""
        for address in self._settled:
            self._in_hand.settle(address)
        self._settled = []

    def complete(self) -> None:
        """All files of the run are in the log: no suspect is left, but for those that could not be tried."""
        for address in self._in_hand.suspects:
            if address not in self._not_tried:
                self._in_hand.settle(address)

    def _read_here(self, handed: Handed, job: Job) -> Taken:
        with self.reading(handed):
            return read_file(handed, job)


@contextmanager
def with_care(store: Path, files: Iterable[Source]) -> Iterator[Careful]:
    """What reads these files with care while the block runs. Only for the holder of the writer's lock."""
    in_hand = InHand(store, (source.address for source in files), WORKERS)
    try:
        with Alone() as alone:
            yield Careful(in_hand, alone)
    finally:
        in_hand.close()


def _not_tried(handed: Handed, job: Job) -> LogEntry:
    """The entry of a suspect where no process can be started; without a fingerprint every run tries it again."""
    told = f"{printable(handed.path)}: was in hand when a run died, and cannot be read alone: no process can be started"
    return rejected(job, handed.path, "", job.rest.text(told))
