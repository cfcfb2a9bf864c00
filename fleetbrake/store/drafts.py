"""Folders in which files are made before they take their place: gone at the end, whoever ends the run, and however.

A run that is killed leaves its draft. Whoever makes the next one in the same place removes it, and only it: a draft
whose run lives is locked, and the lock is the operating system's.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from fleetbrake.store.files import PART

try:
    import fcntl
except ImportError:  # no such locks here: drafts of killed runs stay
    fcntl = None  # type: ignore[assignment]


@contextmanager
def draft_in(place: Path, prefix: str) -> Iterator[Path]:
    """A new folder in ``place``, whose name begins with ``prefix``, while the block runs.

    Drafts that killed runs left there are removed first. Where folders cannot be locked (some network folders) they
    stay.

    Raises
    ------
    OSError
        ``place`` cannot be written into.
    """
    with ExitStack() as held:
        with _locked(place, wait=True) as alone:  # between making a draft and locking it nobody may look
            if alone:
                _remove_left(place, prefix)
            draft = Path(tempfile.mkdtemp(prefix=prefix, suffix=PART, dir=place))
            held.callback(shutil.rmtree, draft, ignore_errors=True)
            held.enter_context(_locked(draft, wait=False))
        yield draft


def _remove_left(place: Path, prefix: str) -> None:
    for left in place.glob(f"{prefix}*{PART}"):
        with _locked(left, wait=False) as over:
            if over:
                shutil.rmtree(left, ignore_errors=True)


@contextmanager
def _locked(folder: Path, *, wait: bool) -> Iterator[bool]:
    """Hold the lock of a folder while the block runs; False where somebody else has it, or there are no locks."""
    if fcntl is None:
        yield False
        return
    with ExitStack() as opened:
        got = False
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            opened.callback(os.close, handle)
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
            got = True
        yield got
