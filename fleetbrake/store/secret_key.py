"""Secret keys of a store: drawn once, kept beside the data, readable by those alone who may write the store."""

import os
import secrets
from pathlib import Path

from fleetbrake.core.errors import StoreError
from fleetbrake.core.private import is_shared
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.files import PART

KEY_BYTES = 32
#: The key by which aliases of drivers are drawn up, see ``reports.aliases``.
ALIASES_KEY = "driver-aliases.key"


def secret_key(path: Path, what: str, *, draw: bool = True) -> bytes:
    """The key in a file, drawn at the first call; ``what`` names it in sentences ("the key for driver aliases").

    Raises
    ------
    StoreError
        It cannot be read or written, is damaged, or is missing where it must not be drawn anew.
    """
    try:
        while draw and not path.exists():
            _draw(path)
        key = path.read_bytes()
    except OSError as error:
        raise StoreError(f"T{what[1:]} ({path}) cannot be read or written: {reason_to_read(error)}.") from error
    if len(key) != KEY_BYTES:
        raise StoreError(f"T{what[1:]} ({path.name} in the store) is damaged: put it back from a copy of the store.")
    return key


def key_mode(folder: Path, group: int) -> int:
    """The mode of a key of this group in a folder: its owner's alone, but where the folder was made for a group that
    writes there (setgid, and nobody else writes).

    Whoever writes the store has to know who was forgotten, and could put another key in its place anyway.
    """
    return 0o640 if is_shared(folder) and folder.stat().st_gid == group else 0o600


def _draw(path: Path) -> None:
    """Write a new key whole or not at all; where another run was faster, its key stands."""
    draft = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}{PART}")
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            if os.name == "posix":
                os.fchmod(handle, key_mode(path.parent, os.fstat(handle).st_gid))
            file.write(secrets.token_bytes(KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(draft, path)
        except (FileExistsError, FileNotFoundError):
            pass  # not found: a writer took the draft for one of a killed run, since readers draw without the lock
        except OSError:  # a file system without hard links
            draft.replace(path)
            return
    finally:
        draft.unlink(missing_ok=True)
