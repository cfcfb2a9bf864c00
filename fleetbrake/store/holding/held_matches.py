"""Which recordings belong to a hold: by the events read from them, by the trips, by what stands in the files."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.paths import vehicle_in_path
from fleetbrake.recordings.reader import Recording, open_recording
from fleetbrake.recordings.sources import Source, source_of
from fleetbrake.store.holding.held_seen import Seen
from fleetbrake.store.holding.held_spans import microseconds
from fleetbrake.store.holding.holds import Hold, held_events, in_time
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import IngestLog, LogEntry
from fleetbrake.store.mappings import kept_mapping

_COLUMNS: Final = ("vehicle_id", "driver_id", "started_at", "samples", "sample_rate_hz")
EVENTS, CONTENT, PATH = "its events", "vehicle or driver named in the file", "vehicle named in its path"


@dataclass(frozen=True)
class Match:
    """A file of the log and why it belongs to the hold, None where it does not; ``looked``: that is sure for good."""

    entry: LogEntry
    why: str | None
    looked: bool = True


def matches(
    store: Path, log: IngestLog, hold: Hold, known: set[tuple[str, str]], none_of_it: set[str], seen: Seen
) -> Iterator[Match]:
    """Files of the log that the manifest does not know yet (``known`` and ``none_of_it``), each with its answer.

    A file is part of a hold if any of its events is, or if it has rows of the hold's vehicle or driver in its time.
    """
    lake = Lake(store)
    for entry in sorted(log, key=lambda entry: entry.path):
        if (entry.path, entry.sha256) in known or seen_as(entry) in none_of_it:
            continue
        if not _in_time(hold, entry):
            continue
        yield _judged(store, lake, hold, entry, seen)


def seen_as(entry: LogEntry) -> str:
    """What a file that is no part of a hold is remembered by."""
    return entry.sha256 or entry.path


def _in_time(hold: Hold, entry: LogEntry) -> bool:
    """Whether the file's samples touch the hold's time or any of its trips; unknown times may."""
    if entry.first_at is None or entry.last_at is None:
        return True
    first, last = (pa.array([microseconds(moment)]) for moment in (entry.first_at, entry.last_at))
    if in_time(hold, first, last)[0].as_py():
        return True
    a, b = first.to_numpy(), last.to_numpy()
    return any(spans.touched(a, b)[0] for spans in hold.spans.values())


def _judged(store: Path, lake: Lake, hold: Hold, entry: LogEntry, seen: Seen) -> Match:
    if hold.vehicle_id is None and hold.driver_id is None:
        return Match(entry, "its time")
    vehicles: set[str | None] = set()
    if entry.key is not None and lake.has(entry.key):
        events = lake.events_of(entry.key, _COLUMNS)
        if pc.any(held_events([hold], events)).as_py():
            return Match(entry, EVENTS)
        vehicles = set(events.column("vehicle_id").unique().to_pylist())
    if _all_told(hold, entry, vehicles):
        return Match(entry, None)
    return _looked_into(store, hold, entry, seen.files.get(entry.sha256) or source_of(entry.path))


def _all_told(hold: Hold, entry: LogEntry, vehicles: set[str | None]) -> bool:
    """Whether the events have told that the file is none of the hold, so that it need not be opened.

    They name every vehicle of the file, and none that the hold is about; nor can rows without an event name its driver.
    """
    if not vehicles or entry.vehicles != len(vehicles):
        return False
    about = {hold.vehicle_id, *hold.spans} - {None}
    names_drivers = "driver_id" in (entry.channels or "driver_id").split(",")
    return not about & vehicles and (hold.vehicle_id is not None or not names_drivers)


def _looked_into(store: Path, hold: Hold, entry: LogEntry, source: Source) -> Match:
    """Answer from the file itself; where it cannot be read only its path can tell."""
    in_path = vehicle_in_path(source)
    try:
        recording = open_recording(source, kept_mapping(store, entry.settings), fingerprint=False)
        whole = _read(recording)
    except (InputError, OSError, ValueError, pa.ArrowException):
        named = hold.vehicle_id is not None and in_path == hold.vehicle_id
        return Match(entry, PATH if named else None, looked=False)
    return Match(entry, CONTENT if _names(hold, whole, entry) else None)


def _read(recording: Recording) -> dict[str, set[str | None]]:
    """The vehicles and drivers that rows of the file name; rows without a vehicle have that of the path."""
    found: dict[str, set[str | None]] = {}
    for name in ("vehicle_id", "driver_id"):
        filled = recording.layout.filled.get(name)
        if filled is None:
            found[name] = {None}
            continue
        found[name] = recording.words(filled)
    if None in found["vehicle_id"]:
        found["vehicle_id"].add(recording.vehicle_id)
    return found


def _names(hold: Hold, found: dict[str, set[str | None]], entry: LogEntry) -> bool:
    """Whether vehicles and drivers of the file are the hold's, or a trip of the hold was under way with one of them."""
    if _touches_trip(hold, found["vehicle_id"], entry):
        return True
    if hold.vehicle_id is not None and hold.vehicle_id not in found["vehicle_id"]:
        return False
    return hold.driver_id is None or hold.driver_id in found["driver_id"]


def _touches_trip(hold: Hold, vehicles: set[str | None], entry: LogEntry) -> bool:
    if entry.first_at is None or entry.last_at is None:
        return False
    first, last = (pa.array([microseconds(moment)]).to_numpy() for moment in (entry.first_at, entry.last_at))
    return any(hold.spans[name].touched(first, last)[0] for name in vehicles if name is not None and name in hold.spans)
