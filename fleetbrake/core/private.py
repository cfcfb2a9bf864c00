"""Folders that other people of the machine cannot look into."""

from pathlib import Path
from typing import Final

#: Its owner alone (POSIX). A folder that is there already keeps what it has: who wants to share a store with a group
#: makes its folder first, with the modes of that group.
OWNER_ONLY: Final = 0o700


def make_private(folder: Path) -> None:
    """Make a folder, and those above it that are not there, for their owner alone; OSError where it cannot be made.

    On Windows a new folder has the rights of the one it is in.
    """
    missing = []
    for path in (folder, *folder.parents):
        if path.exists():
            break
        missing.append(path)
    for path in reversed(missing):
        path.mkdir(mode=OWNER_ONLY, exist_ok=True)
    folder.mkdir(exist_ok=True)  # a file in its place is told
