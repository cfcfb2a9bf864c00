"""Files in bunches: few at first, so that every worker has some; more later, so that many files make few tasks."""

from collections.abc import Iterator
from contextlib import suppress
from typing import Final

from fleetbrake.handing_out import Handed

#: At most so many files and bytes a bunch. Own choice: a second or some of work, which is all that a worker that dies
#: costs, against a millisecond of the scheduler's.
MOST_FILES: Final = 32
MOST_BYTES: Final = 256 * 2**20
#: A bunch has one file more for each so many that went before it and thread of a worker. Own choice.
_SLOWLY: Final = 4


def bunches(files: Iterator[Handed], threads: int) -> Iterator[list[Handed]]:
    """All files in their order. A file above ``MOST_BYTES`` stands alone; sizes are of files that can be seen here."""
    bunch: list[Handed] = []
    size = before = 0
    for handed in files:
        more = _size(handed)
        if bunch and (len(bunch) >= _room(before, threads) or size + more > MOST_BYTES):
            yield bunch
            before += 1
            bunch, size = [], 0
        bunch.append(handed)
        size += more
    if bunch:
        yield bunch


def _room(before: int, threads: int) -> int:
    return min(MOST_FILES, 1 + before // (_SLOWLY * max(1, threads)))


def _size(handed: Handed) -> int:
    if handed.source.listed is not None:
        return handed.source.listed.size
    with suppress(OSError):
        if handed.source.is_local:
            return handed.source.path.stat().st_size
    return 0
