"""The small file of a store that says which version wrote it, and that keeps the note of what it holds once more.

The note stands beside it and in the published file; where both are older copies, or gone, this one still knows.
"""

import json
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.files import write_bytes

FORMAT_NAME: Final = "format.json"
_NUMBER: Final = "format"
_NOTE: Final = "note"
_OTHER_COPIES: Final = "the note beside it (remembered.json) and its copy in the published file"


def marked(store: Path) -> int:
    """The number in the file; 0 without one, as versions before the first mark left it. StoreError where the file is
    damaged."""
    path = store / FORMAT_NAME
    try:
        found = _told(store)[_NUMBER]
    except (FileNotFoundError, NotADirectoryError):
        return 0
    except OSError as error:
        raise StoreError(
            f"{path}, which says which version wrote the store, cannot be read: {reason_to_read(error)}."
        ) from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise StoreError(
            f"{path} cannot be read, so that it is not known which version wrote the store; put it back from a copy. "
            "Where there is none, and no other version of fleetbrake was ever used with this store, remove it: it is "
            f"made anew, from {_OTHER_COPIES}."
        ) from error
    if not isinstance(found, int) or isinstance(found, bool):
        raise StoreError(f"{path} is damaged: it names no format. Put it back from a copy of the store.")
    return found


def mark(store: Path, number: int) -> None:
    """Write the number. StoreError where the folder cannot be written."""
    _write(store, number, note_again(store))


def note_again(store: Path) -> str | None:
    """The text of the note that was kept; None where there is none."""
    try:
        text = _told(store).get(_NOTE)
    except (OSError, ValueError, AttributeError, RecursionError):
        return None
    return text if isinstance(text, str) else None


def keep_note(store: Path, text: str) -> None:
    """Keep the note's text; the number is then that of an unmarked store where there was none. StoreError as in
    :func:`marked` and :func:`mark`."""
    if note_again(store) != text:
        _write(store, marked(store), text)


def _told(store: Path) -> Any:
    return json.loads((store / FORMAT_NAME).read_bytes())


def _write(store: Path, number: int, note: str | None) -> None:
    told = {_NUMBER: number} if note is None else {_NUMBER: number, _NOTE: note}
    write_bytes(store / FORMAT_NAME, json.dumps(told).encode(), same_rights=True)
