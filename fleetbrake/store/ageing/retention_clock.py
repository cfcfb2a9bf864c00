"""The day from which ages are counted, and whether the machine's clock can be believed.

A clock that runs years ahead would make everything old at once, and what is dropped does not come back.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.store.ageing.retention import read_state, write_state
from fleetbrake.store.log import IngestLog, read_log

#: Days by which the present day may lie after the newest reading and after the last time that rules were applied. Own
#: choice, a quarter: no fleet that runs unattended is silent for longer, and a wrong clock is usually years off.
MOST_AHEAD_D: Final = 92
#: Days for which a night may drop nothing before that is a failing of its own. Own choice: a month.
MOST_REFUSED_D: Final = 31


@dataclass(frozen=True)
class AgeingDay:
    """From which day ages are counted.

    Attributes
    ----------
    today : by the machine's clock (UTC).
    day : to count from for what is read in. None where the clock cannot be believed and no rules were applied before.
    doubt : why the clock is not believed, in a sentence; None if it is. Nothing more is dropped then.
    """

    today: date
    day: date | None
    doubt: str | None = None


def this_day() -> date:
    """The machine's day (UTC)."""
    return datetime.now(UTC).date()


def given_day(today: date) -> AgeingDay:
    """A day that a person gave; InputError for one that the machine has not reached.

    What a later day makes too old would be gone for good, and no slip of the pen may do that.
    """
    now = this_day()
    if today > now:
        raise InputError(f"Ages are counted from a day that has come: it is {now}, and {today} is yet to come.")
    return AgeingDay(today, today)


def ageing_day(store: Path, *, log: IngestLog | None = None, today: date | None = None) -> AgeingDay:
    """The present day, held against the newest reading of any recording and the day of the last time.

    A store that has neither gives nothing to hold it against. ``today`` is for tests.
    """
    now = today or this_day()
    applied = _applied_on(read_state(store).get("applied", {}))
    newest = _newest(log if log is not None else read_log(store))
    if applied is not None and applied > now:
        # one of the two days is wrong: whatever is read in has at least the age that its fellows tell
        day = min(applied, max(now, newest or now))
        return AgeingDay(now, day, _doubt(now, f"the rules were applied for {applied} before, which is later"))
    known = [day for day in (newest, applied) if day is not None]
    if not known or now <= max(known) + timedelta(days=MOST_AHEAD_D):
        return AgeingDay(now, now)
    why = (
        f"the newest reading and the last time that rules were applied are of {max(known)} at the latest (a reading "
        "counts as no later than the day on which it was read in)"
    )
    return AgeingDay(now, applied, _doubt(now, why))


def _doubt(now: date, why: str) -> str:
    return (
        f"Nothing was dropped: by this machine's clock it is {now}, but {why}. If the clock is right, run "
        f"`fleetbrake retain --today {now}` once."
    )


def _newest(log: IngestLog) -> date | None:
    """Day of the newest reading. One from a recorder whose clock runs ahead counts as of the day it was read in."""
    files = log.table().filter(pc.is_valid(log.table().column("last_at")))
    last, loaded = files.column("last_at"), files.column("loaded_at")
    moment = pc.max(pc.if_else(pc.fill_null(pc.less(loaded, last), False), loaded, last)).as_py()
    return None if moment is None else moment.date()


def _applied_on(applied: dict[str, Any]) -> date | None:
    on = applied.get("on")
    return date.fromisoformat(on) if isinstance(on, str) else None


def believed(state: dict[str, Any]) -> dict[str, Any]:
    """What was applied last, from ``retention.json``; empty where it is of a day that has not come yet.

    ``at`` is None where that moment has not come: it is then not known what was read in since.
    """
    applied: dict[str, Any] = state.get("applied") or {}
    on, at = _applied_on(applied), applied.get("at")
    if on is not None and on > this_day():
        return {}
    ahead = at is not None and datetime.fromisoformat(at).date() > this_day()
    return {**applied, "at": None} if ahead else applied


def look_at_all_again(store: Path) -> None:
    """Note that pieces are read in under a clock that is not believed: the next time looks at all of them.

    By their day of reading they would pass for older than the last time.
    """
    state = read_state(store)
    if state.get("applied", {}).get("at") is not None:
        write_state(store, {**state, "applied": {**state["applied"], "at": None}})


def note_refused(store: Path, today: date) -> date:
    """Note that nothing was dropped, and since when that is so; the first such day."""
    state = read_state(store)
    known = state.get("refused_since")
    since = date.fromisoformat(known) if isinstance(known, str) else today
    since = min(since, today)  # a first day that is yet to come was of another clock
    applied = _applied_on(state.get("applied", {}))
    if applied is not None:  # and so was one before the rules were applied last
        since = max(since, applied)
    if known != since.isoformat():
        write_state(store, {**state, "refused_since": since.isoformat()})
    return since
