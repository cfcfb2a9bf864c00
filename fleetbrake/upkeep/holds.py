"""Legal holds placed, listed and released; what waited for the release is done then."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.foreign_text import MOST_NAME
from fleetbrake.recordings.reader import find_recordings
from fleetbrake.store.ageing.retention import policy, read_state
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.forgetting.erase import erase_forgotten
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.format import refuse_newer
from fleetbrake.store.holding.held_files import Copied, checked_copies, copy_held, remove_copies
from fleetbrake.store.holding.held_manifest import folder_of, read_manifest
from fleetbrake.store.holding.held_seen import found_again
from fleetbrake.store.holding.hold_ends import released
from fleetbrake.store.holding.holds import Hold, active_holds, all_holds, placed
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from fleetbrake.upkeep.retention import Retained, retain

__all__ = ["Listed", "Placed", "Released", "copy_held", "hold", "list_holds", "moment", "release_hold"]


#: Letters of a reason (own choice, as in the forms of pages).
MOST_REASON = 2_000


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
    anyway: bool = False,
    recordings: Iterable[Path] = (),
) -> Placed:
    """Freeze a vehicle, a driver, a time, or what all of those given name, and copy its recordings into the store.

    Freezing comes first: a copy that cannot be made now is told and tried again by every run that reads recordings.

    Parameters
    ----------
    anyway : place it although nothing in the store names such a vehicle or driver: its recordings are to come.
    recordings : where to look for files that are not at the paths of the log any more; known by their bytes.

    Raises
    ------
    InputError
        It names nothing or a forgotten driver, nobody says who and why, the store knows no such vehicle or driver, or
        there are no such folders.
    StoreBusyError, StoreError
        Another run writes the store, or it cannot be written.
    """
    _must_exist(store)
    _must_be_short(reason, by)
    files = find_recordings(list(recordings))
    with writer_lock(store, "hold"):
        _refuse_forgotten(store, driver_id, reason, by)
        unknown = [] if anyway else _unknown(store, vehicle_id, driver_id)
        if unknown:
            raise InputError(f"{' '.join(unknown)} Nothing is held; --anyway does it for recordings that are to come.")
        made = placed(
            store, vehicle_id=vehicle_id, driver_id=driver_id, from_at=from_at, to_at=to_at, reason=reason, by=by
        )
        told = _doubts(store, made)
        copied = {one.hold_id: one for one in copy_held(store, found_again(read_log(store), files))}[made.hold_id]
        return Placed(made, copied, told + copied.sentences)


def _must_be_short(reason: str, by: str) -> None:
    """Refuse what no list of holds could show."""
    if len(reason) > MOST_REASON or len(by) > MOST_NAME:
        raise InputError(f"A reason has {MOST_REASON:,} letters at most, the name of whoever gives it {MOST_NAME}.")


def _refuse_forgotten(store: Path, driver_id: str | None, *texts: str) -> None:
    """What was forgotten cannot be found any more, and must not come back in the words of a hold."""
    forgetter = Forgetter(read_tombstones(store))
    if driver_id is not None and forgetter.knows(driver_id):
        raise InputError(
            "This driver was forgotten: no row of the store names the id any more, so that a hold on it would keep "
            "nothing. Hold the vehicle or the time instead. Nothing is held."
        )
    if forgetter.texts(texts):
        raise InputError("The reason or the author of the hold names a forgotten driver: say it without the id.")


def list_holds(store: Path) -> list[Listed]:
    """All holds, the oldest first, released ones too."""
    refuse_newer(store, published_too=True)
    listed = []
    for one in all_holds(store):
        ended = one.released is not None
        manifest = read_manifest(store, one.hold_id) if ended else checked_copies(store, one.hold_id)
        damaged = [item.path for item in manifest.files if item.state == "damaged"]
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
        There is no such hold, it ended before, or reason and name are too long.
    StoreBusyError, StoreError
        Another run writes the store, or it cannot be written.
    """
    _must_exist(store)
    _must_be_short(reason, by)
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
    told = _unknown(store, made.vehicle_id, made.driver_id)
    gone = read_state(store).get("applied", {}).get("cutoff")
    if gone is not None and (made.from_at is None or made.from_at.date() < date.fromisoformat(gone)):
        told.append(f"Drivers and positions of rows before {gone} had been dropped before this hold; they stay so.")
    return told


def _unknown(store: Path, vehicle_id: str | None, driver_id: str | None) -> list[str]:
    """A sentence for each id that nothing in the store names, with those that are written almost like it."""
    told = []
    with reading(store) as con:
        for what, name, tables in (
            ("vehicle", vehicle_id, ("events", "vehicles", "trips")),
            ("driver", driver_id, ("events", "drivers", "trips")),
        ):
            word = (name or "").strip()
            if not word:
                continue
            parts = [f"SELECT {what}_id FROM {table}" for table in tables]  # noqa: S608 - own names
            if what == "vehicle":  # units that are known from being towed alone
                parts.append("SELECT trim(unnest(string_split(trailer_ids, '+'))) FROM trips")
            rows = con.execute(" UNION ".join(parts)).fetchall()
            ids = {str(row[0]) for row in rows if row[0] is not None}
            if word not in ids:
                near = _near(word, ids)
                told.append(
                    f"Nothing in the store names {what} {word} yet: is it written like that?"
                    + (f" Perhaps {' or '.join(near)} is meant." if near else "")
                )
    return told


def _near(word: str, ids: set[str]) -> list[str]:
    """At most three ids that are written almost like the word; capital letters and small ones are the same."""
    folded = {one.casefold(): one for one in sorted(ids)}
    return [folded[one] for one in get_close_matches(word.casefold(), sorted(folded), n=3, cutoff=0.7)]


def _forget(store: Path) -> list[str]:
    """Let what was to be forgotten go, as far as no other hold keeps it."""
    erased = erase_forgotten(store, anew=True)
    told = [f"{count} rows of forgotten drivers stay for {hold_id}." for hold_id, count in sorted(erased.held.items())]
    return ["What was to be forgotten is erased now.", *told] if erased.changed else told


def _must_exist(store: Path) -> None:
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")
