"""Legal holds placed, listed and released; what waited for the release is done then."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.store.ageing.retention import policy, read_state
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.forgetting.erase import erase_forgotten
from fleetbrake.store.holding.held_files import Copied, copy_held, damaged_copies, remove_copies
from fleetbrake.store.holding.held_manifest import folder_of, read_manifest
from fleetbrake.store.holding.holds import Hold, active_holds, all_holds, placed, released
from fleetbrake.store.lock import writer_lock
from fleetbrake.upkeep.retention import Retained, retain

__all__ = ["Listed", "Placed", "Released", "copy_held", "hold", "list_holds", "moment", "release_hold"]


@dataclass(frozen=True)
class Placed:
    """A hold that was placed, what was copied for it, and what a person should know."""

    hold: Hold
    copied: Copied
    sentences: list[str]


@dataclass(frozen=True)
class Listed:
    """A hold as the list shows it: files by state, copies that are damaged or gone."""

    hold: Hold
    files: dict[str, int]
    damaged: list[str]


@dataclass(frozen=True)
class Released:
    """A hold that ended: copies removed, those of them that another hold keeps, what retention did then."""

    hold: Hold
    removed: int
    kept_by_others: int
    retained: Retained | None
    sentences: list[str] = field(default_factory=list)


def hold(
    store: Path,
    *,
    reason: str,
    by: str,
    vehicle_id: str | None = None,
    driver_id: str | None = None,
    from_at: datetime | None = None,
    to_at: datetime | None = None,
) -> Placed:
    """Freeze a vehicle, a driver, a time, or what all of those given name, and copy its recordings into the store.

    Freezing comes first: a copy that cannot be made now is told and tried again by every run that reads recordings.

    Raises
    ------
    InputError
        It names nothing, or nobody says who and why.
    StoreBusyError, StoreError
        Another run writes the store, or it cannot be written.
    """
    _must_exist(store)
    with writer_lock(store, "hold"):
        made = placed(
            store, vehicle_id=vehicle_id, driver_id=driver_id, from_at=from_at, to_at=to_at, reason=reason, by=by
        )
        told = _doubts(store, made)
        copied = {one.hold_id: one for one in copy_held(store)}[made.hold_id]
        return Placed(made, copied, told + copied.sentences)


def list_holds(store: Path) -> list[Listed]:
    """All holds, the oldest first, released ones too."""
    listed = []
    for one in all_holds(store):
        manifest = read_manifest(store, one.hold_id)
        damaged = [] if one.released is not None else [item.path for item in damaged_copies(store, one.hold_id)]
        listed.append(Listed(one, manifest.counts(), damaged))
    return listed


def release_hold(
    store: Path, hold_id: str, *, by: str, reason: str, keep_copies: bool = False, today: date | None = None
) -> Released:
    """End a hold; retention and forgetting then do what waited for it.

    Its copies go unless ``keep_copies``; another hold's stay. A run that is killed is completed by the next retention.

    Raises
    ------
    InputError
        There is no such hold, or it ended before.
    StoreBusyError, StoreError
        Another run writes the store, or it cannot be written.
    """
    _must_exist(store)
    with writer_lock(store, "release-hold"):
        ended = released(store, hold_id, by=by, reason=reason, copies_kept=keep_copies)
        gone, shared, told = 0, 0, list[str]()
        if keep_copies and read_manifest(store, ended.hold_id).files:
            told.append(f"Its copies stay in {folder_of(store, ended.hold_id)}, with what was forgotten since.")
        elif not keep_copies:
            gone, shared = remove_copies(store, ended.hold_id)
        told += [f"{other.hold_id} still stands: {other.what}." for other in active_holds(store)]
        told += _forget(store)
        done = retain(store, today=today) if policy(store) is not None else None
        return Released(ended, gone, shared, done, told)


def moment(text: str, *, ends: bool = False) -> datetime:
    """A time as a person gives it, in UTC; a day alone is its beginning, as an end the beginning of the day after.

    Raises
    ------
    InputError
        It is neither a day nor a time in ISO form.
    """
    try:
        if len(text.strip()) == len("2026-01-31"):
            day = date.fromisoformat(text.strip())
            return datetime.combine(day, time(), UTC) + (timedelta(days=1) if ends else timedelta())
        given = datetime.fromisoformat(text.strip())
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"{text!r} is neither a day (2026-01-31) nor a time (2026-01-31T08:00, in UTC unless it says else)."
        ) from error
    return given.replace(tzinfo=UTC) if given.tzinfo is None else given.astimezone(UTC)


def facts(one: Hold) -> dict[str, Any]:
    """A hold as JSON holds it."""
    names = ("hold_id", "vehicle_id", "driver_id", "from_at", "to_at", "reason", "by", "at")
    ended = one.released
    return {
        **{name: getattr(one, name) for name in names},
        "what": one.what,
        "released_at": ended.at if ended else None,
        "released_by": ended.by if ended else None,
        "release_reason": ended.reason if ended else None,
    }


def _doubts(store: Path, made: Hold) -> list[str]:
    """What may be wrong with a hold: names that nothing has, a time whose rows lost their drivers already."""
    told = []
    with reading(store) as con:
        for column, name, tables in (
            ("vehicle_id", made.vehicle_id, ("events", "vehicles", "trips")),
            ("driver_id", made.driver_id, ("events", "drivers", "trips")),
        ):
            asked = " OR ".join(f"EXISTS (FROM {table} WHERE {column} = $name)" for table in tables)
            if name is not None and con.execute(f"SELECT {asked}", {"name": name}).fetchall() == [(False,)]:
                told.append(f"Nothing in the store names {column.split('_')[0]} {name} yet: is it written like that?")
    gone = read_state(store).get("applied", {}).get("cutoff")
    if gone is not None and (made.from_at is None or made.from_at.date() < date.fromisoformat(gone)):
        told.append(f"Drivers and positions of rows before {gone} had been dropped before this hold; they stay so.")
    return told


def _forget(store: Path) -> list[str]:
    """Let what was to be forgotten go, as far as no other hold keeps it."""
    erased = erase_forgotten(store, anew=True)
    told = [f"{count} rows of forgotten drivers stay for {hold_id}." for hold_id, count in sorted(erased.held.items())]
    return ["What was to be forgotten is erased now.", *told] if erased.changed else told


def _must_exist(store: Path) -> None:
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")
