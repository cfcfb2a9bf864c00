"""Files taken out of use and kept: nothing that a person may still want is removed."""

import os
import shutil
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from fleetbrake.store.sealed import SET_ASIDE


class Aside:
    """A folder in the store's folder for such files, of its own for each repair; made with the first of them.

    Only for the holder of the writer's lock.
    """

    def __init__(self, store: Path) -> None:
        self._store = store

    @cached_property
    def folder(self) -> Path:
        """Named by the moment."""
        begin = made = self._store / SET_ASIDE / f"{datetime.now(UTC):%Y-%m-%dT%H%M%SZ}"
        more = 1
        while made.exists():  # of another one within the same second
            more += 1
            made = begin.with_name(f"{begin.name}-{more}")
        made.mkdir(parents=True)
        return made

    def move(self, path: Path) -> None:
        """Take a file or folder of the store out of use."""
        path.replace(self._target(path))

    def copy(self, path: Path) -> None:
        """Keep a file that is about to be replaced; nothing where there is none."""
        if not path.is_file():
            return
        target = self._target(path)
        try:
            os.link(path, target)
        except OSError:
            shutil.copyfile(path, target)

    def _target(self, path: Path) -> Path:
        target = self.folder / path.relative_to(self._store)
        target.parent.mkdir(parents=True, exist_ok=True)
        return target


def put_aside(store: Path, paths: Iterable[Path]) -> bool:
    """Move those files and folders of the store that are there into one folder; whether any was."""
    aside, there = Aside(store), [path for path in paths if path.exists()]
    for path in there:
        aside.move(path)
    return bool(there)
