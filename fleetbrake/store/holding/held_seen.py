"""Recordings as a run that reads them meets them: where each one is now, and which are not taken in for a hold."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.at_hand import file_sha256
from fleetbrake.recordings.sources import Source, is_there, source_of
from fleetbrake.store.holding.holds import Hold, held_events
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import NOT_KNOWN, IngestLog, LogEntry

_COLUMNS = ("vehicle_id", "driver_id", "started_at", "samples", "sample_rate_hz")


@dataclass(frozen=True)
class NotTakenIn:
    """A file whose events a hold keeps as they were read. ``sha256``: of its bytes now, empty if it cannot be read."""

    entry: LogEntry
    sha256: str
    holds: tuple[str, ...]

    @property
    def changed(self) -> bool:
        """Whether it has other bytes than were read in, or cannot be read; else it would only be read in another way.

        Where the log does not know the bytes of then, nothing tells.
        """
        return not self.sha256 or bool(self.entry.sha256 and self.sha256 != self.entry.sha256)

    @property
    def not_known(self) -> bool:
        """Whether the log says nothing of how it was read, which `fleetbrake check` notes."""
        return self.entry.settings == NOT_KNOWN


@dataclass
class Seen:
    """What a run met.

    Attributes
    ----------
    files : fingerprint -> where a file of these bytes is; the log may know it by a path that names nobody.
    kept : files that were not taken in again.
    """

    files: dict[str, Source] = field(default_factory=dict)
    kept: list[NotTakenIn] = field(default_factory=list)

    def newer(self, hold_id: str) -> list[NotTakenIn]:
        """Files of a hold of which there is another version now, or may be: the log does not know the bytes of then."""
        other = [one for one in self._sorted() if one.changed or not one.entry.sha256]
        return [one for one in other if one.sha256 and hold_id in one.holds]

    def not_known(self) -> frozenset[str]:
        """Paths of files of which nothing is to be told before they can be read again."""
        return frozenset(one.entry.path for one in self.kept if one.not_known)

    def sentences(self) -> list[str]:
        """What was not taken in: each file that changed, and how many would only have been read in another way."""
        told, otherwise = list[str](), defaultdict[tuple[str, ...], list[str]](list)
        for one in self._sorted():
            if not one.changed and one.not_known:
                continue
            if not one.changed:
                otherwise[one.holds].append(one.entry.path)
                continue
            now = "has other bytes" if one.sha256 else "cannot be read now"
            told.append(
                f"{one.entry.path}: {now}; {_keeps(one.holds)} what was read on {_day(one.entry)}: not taken in until "
                "the release"
            )
        for holds, paths in sorted(otherwise.items()):
            told.append(
                f"{paths[0]}{f' and {len(paths) - 1} more files' if len(paths) > 1 else ''}: would be read in another "
                f"way (mapping, criteria or version); {_keeps(holds)} what was read before: not read anew"
            )
        return told

    def _sorted(self) -> list[NotTakenIn]:
        return sorted(self.kept, key=lambda one: one.entry.path)  # threads found them in any order


def keeping(holds: Sequence[Hold], lake: Lake, key: str | None) -> tuple[str, ...]:
    """Ids of the holds that freeze some of the events of a piece, whose file is then not to be read again."""
    if not holds or key is None:
        return ()
    events = lake.events_of(key, _COLUMNS)
    return tuple(hold.hold_id for hold in holds if pc.any(held_events([hold], events)).as_py())


def found_again(log: IngestLog, files: Iterable[Source]) -> Seen:
    """Files that hold the very bytes of a logged one that is not at its path any more, by their fingerprints.

    Only files of a size that is looked for are read. What cannot be read is passed over.
    """
    gone = [entry for entry in log if entry.sha256 and not is_there(source_of(entry.path))]
    sizes, wanted = {entry.size for entry in gone}, {entry.sha256 for entry in gone}
    seen = Seen()
    for file in files:
        try:
            if None in sizes or file.stat().size in sizes:
                found = file_sha256(file)
                if found in wanted:
                    seen.files.setdefault(found, file)
        except InputError:
            continue
    return seen


def _keeps(holds: tuple[str, ...]) -> str:
    return f"{' and '.join(holds)} {'keep' if len(holds) > 1 else 'keeps'}"


def _day(entry: LogEntry) -> str:
    return f"{entry.loaded_at:%Y-%m-%d}" if entry.loaded_at is not None else "a day before"
