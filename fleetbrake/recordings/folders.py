"""Recordings in a folder of any depth; what cannot be reached in it, or is no file, is told instead of passed over."""

import os
from collections.abc import Iterator
from pathlib import Path

from fleetbrake.recordings.paths import text_path
from fleetbrake.recordings.story import printable

_ENDING = ".parquet"


def recordings_in(folder: Path, told: list[str]) -> Iterator[Path]:
    """All ``*.parquet`` files below a folder, in any order; links to files are followed.

    Parameters
    ----------
    told : gets a sentence for each folder that cannot be read, each link that leads nowhere or to a folder elsewhere,
        and whatever is called like a recording and is no regular file: a pipe, a device.

    Raises
    ------
    OSError
        The folder itself cannot be read.
    """
    todo = [folder]
    while todo:
        here = todo.pop()
        try:
            with os.scandir(here) as found:
                entries = list(found)
        except OSError as error:
            if here is folder:
                raise
            told.append(f"{_shown(here)}: this folder cannot be read ({error.strerror or error})")
            continue
        for entry in entries:
            path = here / entry.name
            try:
                if entry.is_dir(follow_symlinks=False):
                    todo.append(path)
                elif _is_recording(entry, path, folder, told):
                    yield path
            except OSError as error:
                told.append(f"{_shown(path)}: cannot be read ({error.strerror or error})")


def _is_recording(entry: "os.DirEntry[str]", path: Path, folder: Path, told: list[str]) -> bool:
    named = path.suffix.lower() == _ENDING
    if named and entry.is_file():
        return True
    if entry.is_symlink() and entry.is_dir():
        if not path.resolve().is_relative_to(folder.resolve()):  # else its recordings are found in their own place
            told.append(f"{_shown(path)}: this is a link to a folder, which is not followed; name the folder itself")
    elif named:
        what = "this link leads nowhere" if entry.is_symlink() else "is no regular file"
        told.append(f"{_shown(path)}: {what}; it is not read")
    return False


def _shown(path: Path) -> str:
    return printable(text_path(path))
