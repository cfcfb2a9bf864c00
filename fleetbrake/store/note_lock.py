"""The note of what a store holds is changed by one process at a time: runs, and pages in which somebody enters."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

NOTE_LOCK_NAME: Final = "remembered.lock"
#: How long another one is waited for (s); noting takes milliseconds.
_PATIENCE_S: Final = 2.0


@contextmanager
def note_lock(store: Path) -> Iterator[None]:
    """Hold the note's lock while the block runs, as far as it is to be had.

    Runs hold the writer's lock besides, so that one without this one can lose the number of an entry that is made in
    the same milliseconds, which the next run notes.
    """
    with ExitStack() as held:
        if store.is_dir():  # the library would make a store that a disk or network took away
            lock = FileLock(store / NOTE_LOCK_NAME, fallback_to_soft=False)
            with suppress(Timeout, OSError, NotImplementedError):
                held.enter_context(lock.acquire(timeout=_PATIENCE_S))
        yield
