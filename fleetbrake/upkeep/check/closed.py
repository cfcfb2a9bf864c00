"""Files of a store that this user cannot open now: they may be whole, and are neither damaged nor lost.

A disk that gives no bytes of a file that it opens is another matter: such a file is damaged.
"""

import os
import stat
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.runs import RUNNING_FOLDER
from fleetbrake.store.sealed import SET_ASIDE

#: Folders without which nothing is misread.
_NOT_NEEDED: Final = frozenset({SET_ASIDE, "logs", RUNNING_FOLDER})


def closed_files(store: Path) -> list[str]:
    """A sentence for each file or folder that is there and cannot be opened."""
    told: list[OSError] = []
    for folder, below, names in os.walk(store, onerror=told.append):
        if Path(folder) == store:
            below[:] = [one for one in below if one not in _NOT_NEEDED]
        for name in sorted(names):
            try:
                _open(Path(folder) / name)
            except (FileNotFoundError, NotADirectoryError):
                pass
            except OSError as error:
                told.append(error)
    return [_sentence(store, error) for error in told]


def refuse_closed(store: Path) -> None:
    """StoreError where a file of the store cannot be opened: what it holds would be taken for lost."""
    told = closed_files(store)
    if told:
        more = f" So it is with {len(told) - 1} more." if len(told) > 1 else ""
        raise StoreError(f"{told[0]}{more} Nothing was repaired or given up.")


def _open(path: Path) -> None:
    if stat.S_ISREG(path.stat().st_mode):
        os.close(os.open(path, os.O_RDONLY))


def _sentence(store: Path, error: OSError) -> str:
    path = Path(os.fsdecode(error.filename)) if error.filename is not None else store
    name = path.relative_to(store).as_posix() if path.is_relative_to(store) else str(path)
    return (
        f"{name} cannot be opened by this user now ({reason_to_read(error)}): that is no damage. Run this as a user "
        "who may, or let its owner give the right to read it; what the disk does not give any more, move out of the "
        "store first."
    )
