"""Folders that other people of the machine cannot look into."""

import stat
from pathlib import Path
from typing import Final

#: Its owner alone (POSIX). A folder that is there already keeps what it has: who wants to share a store with a group
#: makes its folder first, with the modes of that group.
OWNER_ONLY: Final = 0o700
#: In a folder that was made for a group, as far as the umask lets it.
GROUP_TOO: Final = 0o770


def is_shared(folder: Path) -> bool:
    """Whether a folder was made for a group that writes there: setgid, and nobody else writes. OSError."""
    return folder.stat().st_mode & (stat.S_ISGID | stat.S_IWGRP | stat.S_IWOTH) == stat.S_ISGID | stat.S_IWGRP


def make_private(folder: Path, *, like_its_own: bool = False) -> None:
    """Make a folder, and those above it that are not there, for their owner alone; OSError where it cannot be made.

    ``like_its_own``: it is a part of what it is made in, and for a group where that is.

    On Windows a new folder has the rights of the one it is in.
    """
    missing = []
    for path in (folder, *folder.parents):
        if path.exists():
            break
        missing.append(path)
    for path in reversed(missing):
        shared = like_its_own and is_shared(path.parent)
        path.mkdir(mode=GROUP_TOO if shared else OWNER_ONLY, exist_ok=True)
    folder.mkdir(exist_ok=True)  # a file in its place is told
