"""The recordings that the log names: whether they are still there, and with the bytes that were read."""

from pathlib import Path

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.at_hand import file_sha256
from fleetbrake.recordings.sources import is_there, source_of
from fleetbrake.store.files import sha256_of
from fleetbrake.store.log import IngestLog
from fleetbrake.upkeep.check.outcome import Outcome


def check_recordings(log: IngestLog, out: Outcome, *, read: bool) -> None:
    """Tell of recordings that are gone or were changed; neither is a fault of the store.

    ``read``: every byte, at addresses too; else whether files are there, and their sizes.
    """
    gone = other = looked = 0
    for entry in log:
        source = source_of(entry.path)
        if not read and not source.is_local:
            continue
        try:
            if not (source.path.is_file() if source.is_local else is_there(source)):
                gone += 1
                continue
            elif read:
                found = sha256_of(source.path) if source.is_local else file_sha256(source)
                other += bool(entry.sha256) and found != entry.sha256
            else:
                other += entry.size is not None and source.path.stat().st_size != entry.size
            looked += 1
        except (InputError, OSError):
            gone += 1
    out.looked_at = f"{looked} recordings, {'every byte' if read else 'by size'}"
    if gone:
        out.notes.add(f"{gone} recordings are not there any more, or cannot be read: their rows stay.")
    if other:
        out.notes.add(f"{other} recordings have other bytes than were read: the next ingest reads them again.")


def still_there(path: str) -> bool:
    """Whether a recording can be read again; of an address that is not asked."""
    try:
        source = source_of(path)
        return not source.is_local or Path(source.path).is_file()
    except (InputError, OSError):
        return False
