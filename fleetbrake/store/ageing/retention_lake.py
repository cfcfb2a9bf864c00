"""Drivers and positions out of the feature rows that have become too old: only the pieces that can hold such rows."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.store.ageing.retention import PERSONAL, RetentionPolicy, aged_events, cutoff
from fleetbrake.store.arrow import how_many
from fleetbrake.store.files import write_bytes
from fleetbrake.store.holding.holds import Hold, held_events
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import IngestLog, LogEntry

#: ``STORE/lake/swept``: when rules of retention were applied to the lake.
SWEPT: Final = "swept"
#: What is read of a piece to find out whether it has to be rewritten.
_LOOKED_AT: Final = ("vehicle_id", "started_at", "samples", "sample_rate_hz", *PERSONAL)


@dataclass
class Swept:
    """What became of the feature rows.

    Attributes
    ----------
    pieces, rows : pieces rewritten, rows that lost something.
    held : rows that are too old but frozen, by hold.
    held_back : fingerprints of the files with such rows, to be looked at again.
    """

    pieces: int = 0
    rows: int = 0
    held: dict[str, int] = field(default_factory=dict)
    held_back: list[str] = field(default_factory=list)

    def keep_back(self, entry: LogEntry, rows: dict[str, int]) -> None:
        """Note a piece of which holds keep rows."""
        self.held_back.append(entry.sha256)
        for hold_id, count in rows.items():
            if count:
                self.held[hold_id] = self.held.get(hold_id, 0) + count


def sweep(
    store: Path,
    log: IngestLog,
    rules: RetentionPolicy,
    today: date,
    holds: Sequence[Hold],
    applied: dict[str, Any],
    *,
    before: Callable[[], None] | None = None,
) -> Swept:
    """Rewrite the pieces with rows older than the cutoff.

    Parameters
    ----------
    applied : ``cutoff``, ``at`` and ``held_back`` of the last time (ISO, UTC); empty before the first, and where all
        rows are to be looked at.
    before : called before a piece is changed; without it nothing is changed (a dry run).
    """
    first_kept = cutoff(rules.positions_and_drivers_months, today)
    done, lake = Swept(), Lake(store)
    if first_kept is None:
        return done
    candidates = {entry.key: entry for entry in _candidates(log, first_kept, applied) if entry.key is not None}
    for key in lake.in_order(candidates):
        entry = candidates[key]
        looked_at = lake.events_of(key, _LOOKED_AT)
        held = held_events(holds, looked_at)
        rows = _with_personal(looked_at, first_kept)
        if how_many(pc.and_(rows, held)):
            by_hold = {hold.hold_id: held_events([hold], looked_at) for hold in holds}
            done.keep_back(entry, {hold_id: how_many(pc.and_(rows, mask)) for hold_id, mask in by_hold.items()})
        changed = how_many(pc.and_not(rows, held))
        if changed and before is not None:
            before()
            lake.rewrite_events(key, aged_events(lake.events_of(key), rules, today, held))
        done.pieces += bool(changed)
        done.rows += changed
    if before is not None:
        lake.tidy(log.keys())  # also what a run that was killed left of rows as they were
    return done


def is_older_lake(store: Path, applied: dict[str, Any]) -> bool:
    """Whether the lake is not the one that the rules were applied to last: an older copy that was put back.

    By their day of reading its rows would pass for looked at. ``applied``: as for :func:`sweep`.
    """
    return bool(applied) and _mark(store) != applied.get("lake", "")


def mark_swept(store: Path, at: str) -> None:
    """Note in the lake when rules were applied to it (``lake`` of ``applied``). Only for the holder of the lock."""
    if (store / "lake").is_dir():
        write_bytes(store / "lake" / SWEPT, at.encode())


def _mark(store: Path) -> str:
    try:
        return (store / "lake" / SWEPT).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return ""  # every piece is looked at then


def _candidates(log: IngestLog, first_kept: date, applied: dict[str, Any]) -> Iterator[LogEntry]:
    """Pieces with rows that came of age since the last time, pieces read since, and those that a hold kept then."""
    until = datetime.combine(first_kept, time(), UTC)
    since = datetime.combine(date.fromisoformat(applied["cutoff"]), time(), UTC) if applied.get("cutoff") else None
    at = datetime.fromisoformat(applied["at"]) if applied.get("at") else None
    held_back = set(applied.get("held_back", ()))
    for entry in log.that_begin_before(until):
        if entry.key is None or (entry.first_at is not None and entry.first_at >= until):
            continue
        read_since = at is None or entry.loaded_at is None or entry.loaded_at >= at
        came_of_age = since is None or entry.last_at is None or entry.last_at >= since
        if read_since or came_of_age or entry.sha256 in held_back:
            yield entry


def _with_personal(events: pa.Table, first_kept: date) -> pa.BooleanArray:
    """Rows that are too old and have a driver or a position."""
    start = pa.scalar(datetime.combine(first_kept, time(), UTC), pa.timestamp("us", tz="UTC"))
    old = pc.fill_null(pc.less(events.column("started_at"), start), False)
    some = pa.array([False] * events.num_rows, pa.bool_())
    for name in PERSONAL:
        some = pc.or_(some, pc.is_valid(events.column(name)))
    return pc.and_(old, some)
