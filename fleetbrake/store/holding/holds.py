"""Legal holds: a vehicle, a driver or a time that must stay as it is, and which rows that means.

A hold freezes what all of its conditions name; several holds freeze what any of them names. Trips that a hold touches
are frozen whole, with the events in them. Who held and released what, when and why is never taken away.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.store.arrow import in_one
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.files import write_bytes
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.holding.held_manifest import HELD_FOLDER, with_copies
from fleetbrake.store.holding.held_spans import Spans, event_times, in_spans, microseconds, trip_spans
from fleetbrake.store.holding.held_trips import trips_for_holds
from fleetbrake.store.remembered import hold_number, no_copy, remember, remembered

HOLDS_NAME: Final = "holds.json"

#: Registers about one vehicle, and the column that dates their rows.
DATED: Final[Mapping[str, str]] = {
    "inspections": "inspected_on",
    "brake_tests": "tested_on",
    "repairs": "repaired_on",
    "defect_reports": "reported_at",
    "due_dates": "due_on",
}


class Release(BaseModel):
    """The end of a hold. ``copies_kept``: its copies were to stay."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    at: datetime
    by: str
    reason: str
    copies_kept: bool = False


class KeptHold(BaseModel):
    """A hold as ``holds.json`` keeps it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    hold_id: str = Field(pattern=r"^hold-[1-9][0-9]*$")
    vehicle_id: str | None = None
    driver_id: str | None = None
    from_at: datetime | None = None
    to_at: datetime | None = None
    reason: str
    by: str
    at: datetime
    released: Release | None = None


@dataclass(frozen=True)
class Hold:
    """What is frozen, by whom and why.

    Attributes
    ----------
    hold_id : ``hold-1``, ``hold-2`` ...
    vehicle_id, driver_id : None where the hold is not about one.
    from_at, to_at : UTC, from the first moment up to but not with the second; None where it has no such end.
    reason, by, at : why, who, when (UTC).
    released : None while it stands.
    spans : the trips it touches, by vehicle; filled by :func:`active_holds`.
    """

    hold_id: str
    vehicle_id: str | None
    driver_id: str | None
    from_at: datetime | None
    to_at: datetime | None
    reason: str
    by: str
    at: datetime
    released: Release | None = None
    spans: Mapping[str, Spans] = field(default_factory=dict, compare=False, repr=False)

    @property
    def what(self) -> str:
        """What it freezes, in words; times in UTC."""
        parts = [f"vehicle {self.vehicle_id}"] if self.vehicle_id is not None else []
        parts += [f"driver {self.driver_id}"] if self.driver_id is not None else []
        if not parts:
            parts = ["every vehicle"]
        times = [
            f"{word} {moment:%Y-%m-%d %H:%M} UTC"
            for word, moment in (("from", self.from_at), ("until", self.to_at))
            if moment is not None
        ]
        return " ".join([" with ".join(parts), *times])

    def names(self, forgetter: Forgetter) -> bool:
        """Whether it names a forgotten driver: as its driver, or in its vehicle, its reason or its author."""
        if self.driver_id is not None and forgetter.knows(self.driver_id):
            return True
        return bool(forgetter.texts(one for one in (self.vehicle_id, self.reason, self.by) if one is not None))


def all_holds(store: Path) -> list[Hold]:
    """Every hold that was ever placed, the oldest first, released ones too; without the trips they touch.

    Raises
    ------
    StoreError
        The file cannot be read, or lacks a hold that has copies or was placed once: what is frozen is then not known,
        and nothing may be dropped.
    """
    path, kept = store / HOLDS_NAME, listed(store)
    lost = set(with_copies(store)) - {row.hold_id for row in kept}
    if lost:
        raise StoreError(
            f"The store's legal holds ({path}) lack {' and '.join(sorted(lost))}, of which there are copies in "
            f"{HELD_FOLDER}: restore that file from a backup, or let `fleetbrake check --repair` make them again from "
            f"what their copies say. Until then nothing may be dropped or changed. {no_copy('holds')}"
        )
    noted, newest = remembered(store), max((hold_number(row.hold_id) for row in kept), default=0)
    fewer = noted.holds - len(kept)
    if fewer > 0 or newest < noted.newest_hold:
        lacking = (
            f"lack {fewer} that were placed" if fewer > 0 else f"are an older copy, without hold-{noted.newest_hold}"
        )
        raise StoreError(
            f"The store's legal holds ({path}) {lacking}: put that file and {HELD_FOLDER} back "
            f"from a copy of the store. Until then nothing may be dropped or changed. {no_copy('holds')}"
        )
    return [Hold(**{name: getattr(row, name) for name in KeptHold.model_fields}) for row in kept]


def listed(store: Path) -> list[KeptHold]:
    """The list of holds as it is, whatever it lacks. StoreError if it cannot be read."""
    path = store / HOLDS_NAME
    try:
        rows = json.loads(path.read_text(encoding="utf-8")) if path.exists() else []
        return [KeptHold.model_validate(row) for row in rows]
    except (OSError, ValueError, ValidationError, TypeError) as error:
        told = f"The store's legal holds ({path}) cannot be read, so that nothing may be dropped."
        if isinstance(error, OSError):
            raise StoreError(f"{told} {reason_to_read(error)}.") from error
        raise StoreError(f"{told} {no_copy('holds')}") from error


def as_kept(hold: Hold) -> dict[str, Any]:
    """A hold as ``holds.json`` keeps it."""
    return KeptHold(**{name: getattr(hold, name) for name in KeptHold.model_fields}).model_dump(mode="json")


def active_holds(store: Path, arriving: pa.Table | None = None) -> list[Hold]:
    """The holds that stand, each with the trips that it touches. StoreError as in :func:`all_holds`.

    ``arriving``: trips that are being read in, which count where their register is gone.
    """
    standing = [hold for hold in all_holds(store) if hold.released is None]
    if not standing:
        return []
    trips = trips_for_holds(store, arriving)
    return [replace(hold, spans=trip_spans(trips.filter(_trips_named(hold, trips)))) for hold in standing]


def placed(
    store: Path,
    *,
    vehicle_id: str | None,
    driver_id: str | None,
    from_at: datetime | None,
    to_at: datetime | None,
    reason: str,
    by: str,
    at: datetime | None = None,
) -> Hold:
    """Write a new hold down. Only for the holder of the writer's lock.

    Raises
    ------
    InputError
        It names nothing, its times are the wrong way round, or reason or name are missing.
    """
    vehicle, driver = _word(vehicle_id), _word(driver_id)
    if vehicle is None and driver is None and from_at is None and to_at is None:
        raise InputError("A hold needs a vehicle, a driver or a time.")
    if from_at is not None and to_at is not None and from_at >= to_at:
        raise InputError("The hold's time ends before it begins.")
    said(reason, by)
    known = all_holds(store)
    hold = Hold(
        hold_id=next_id(store, [one.hold_id for one in known]),
        vehicle_id=vehicle,
        driver_id=driver,
        from_at=from_at,
        to_at=to_at,
        reason=reason.strip(),
        by=by.strip(),
        at=at or datetime.now(UTC),
    )
    write_holds(store, [*known, hold])
    return hold


def next_id(store: Path, known: Iterable[str]) -> str:
    """An id that no hold ever had: not even one that was lost and given up, whose copies may be put back."""
    return f"hold-{1 + max([remembered(store).hold_number, *map(hold_number, known)])}"


def held_events(holds: Sequence[Hold], table: pa.Table) -> pa.BooleanArray:
    """Which rows of events (lake or published: vehicle_id, driver_id, started_at) any of the holds freezes."""
    return _any_of(holds, table, _events_of)


def held_rows(holds: Sequence[Hold], register_name: str, table: pa.Table) -> pa.BooleanArray:
    """Which rows of a register any of the holds freezes.

    Of a vehicle that a hold names, or that its driver drove, every inspection, test, repair and report is frozen,
    whatever its day: what was known of the brakes before is part of the matter. A hold on a time alone freezes the rows
    of that time.
    """

    def of(hold: Hold, rows: pa.Table) -> pa.BooleanArray:
        if register_name == "trips":
            return _trips_named(hold, rows)
        if register_name == "drivers":
            return _equal(rows, "driver_id", hold.driver_id)
        if register_name == "vehicles" or hold.vehicle_id is not None or hold.driver_id is not None:
            return _of_vehicles(hold, rows)
        if register_name in DATED:
            return _dated_within(hold, rows.column(DATED[register_name]))
        return _none(rows)

    return _any_of(holds, table, of)


def in_time(hold: Hold, first: pa.ChunkedArray | pa.Array, last: pa.ChunkedArray | pa.Array) -> pa.BooleanArray:
    """Whether what lasted from ``first`` to ``last`` (us, UTC) touches the hold's time; NULL is taken for touching."""
    mask = pa.array([True] * len(first), pa.bool_())
    if hold.from_at is not None:
        mask = pc.and_(mask, pc.fill_null(pc.greater_equal(last, microseconds(hold.from_at)), True))
    if hold.to_at is not None:
        mask = pc.and_(mask, pc.fill_null(pc.less(first, microseconds(hold.to_at)), True))
    return in_one(mask)


def _events_of(hold: Hold, table: pa.Table) -> pa.BooleanArray:
    first, last = event_times(table)
    named = in_time(hold, first, last)
    for column, wanted in (("vehicle_id", hold.vehicle_id), ("driver_id", hold.driver_id)):
        if wanted is not None:
            named = pc.and_(named, _equal(table, column, wanted))
    return in_one(pc.or_(named, in_spans(hold.spans, table.column("vehicle_id"), first, last)))


def _trips_named(hold: Hold, trips: pa.Table) -> pa.BooleanArray:
    first = trips.column("started_at").cast(pa.timestamp("us", tz="UTC")).cast(pa.int64())
    last = trips.column("ended_at").cast(pa.timestamp("us", tz="UTC")).cast(pa.int64())
    named = in_time(hold, first, last)
    if hold.vehicle_id is not None:
        own = _equal(trips, "vehicle_id", hold.vehicle_id)
        named = pc.and_(named, pc.or_(own, _towed(trips, hold.vehicle_id)))
    if hold.driver_id is not None:
        named = pc.and_(named, _equal(trips, "driver_id", hold.driver_id))
    return in_one(named)


def _towed(trips: pa.Table, vehicle_id: str) -> pa.BooleanArray:
    """Trips on which the unit was towed."""
    if "trailer_ids" not in trips.column_names:
        return _none(trips)
    column = trips.column("trailer_ids").cast(pa.string())
    perhaps = pc.fill_null(pc.match_substring(column, vehicle_id), False)
    listed = set(column.filter(perhaps).unique().to_pylist())
    towing = [text for text in listed if vehicle_id in {unit.strip() for unit in text.split("+")}]
    return in_one(pc.is_in(column, value_set=pa.array(towing, pa.string())))


def _of_vehicles(hold: Hold, rows: pa.Table) -> pa.BooleanArray:
    if "vehicle_id" not in rows.column_names:
        return _none(rows)
    if hold.vehicle_id is not None:
        return _equal(rows, "vehicle_id", hold.vehicle_id)
    if hold.driver_id is None:
        return _none(rows)
    return in_one(pc.is_in(rows.column("vehicle_id"), value_set=pa.array(sorted(hold.spans), pa.string())))


def _dated_within(hold: Hold, column: pa.ChunkedArray) -> pa.BooleanArray:
    def inside(value: date | datetime | None) -> bool:
        if value is None:
            return False
        first = hold.from_at.date() if hold.from_at is not None else date.min
        last = hold.to_at.date() if hold.to_at is not None else date.max
        return first <= (value.date() if isinstance(value, datetime) else value) <= last

    return pa.array([inside(value) for value in column.to_pylist()], pa.bool_())


def _any_of(holds: Sequence[Hold], table: pa.Table, of: Callable[[Hold, pa.Table], pa.BooleanArray]) -> pa.BooleanArray:
    mask = _none(table)
    for hold in holds:
        mask = pc.or_(mask, of(hold, table))
    return in_one(mask)


def _equal(table: pa.Table, column: str, wanted: str | None) -> pa.BooleanArray:
    if wanted is None or column not in table.column_names:
        return _none(table)
    return in_one(pc.fill_null(pc.equal(table.column(column).cast(pa.string()), wanted), False))


def _none(table: pa.Table) -> pa.BooleanArray:
    return pa.array([False] * table.num_rows, pa.bool_())


def _word(text: str | None) -> str | None:
    return None if text is None or not text.strip() else text.strip()


def said(reason: str, by: str) -> None:
    """InputError where nobody says who and why."""
    if not reason.strip() or not by.strip():
        raise InputError("Whoever places or releases a hold gives a name and a reason: both are kept.")


def write_holds(store: Path, holds: Sequence[Hold]) -> None:
    """As :func:`write_kept`."""
    write_kept(store, [KeptHold(**{name: getattr(hold, name) for name in KeptHold.model_fields}) for hold in holds])


def write_kept(store: Path, holds: Sequence[KeptHold]) -> None:
    """Put a list of holds in place of the one before. Only for the holder of the writer's lock."""
    content = json.dumps([hold.model_dump(mode="json") for hold in holds], ensure_ascii=False, indent=1) + "\n"
    write_bytes(store / HOLDS_NAME, content.encode())
    remember(store)
