"""The day from which ages are counted, and whether the machine's clock can be believed.

A clock that runs years ahead would make everything old at once, and what is dropped does not come back.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

from fleetbrake.store.ageing.retention import read_state
from fleetbrake.store.log import IngestLog, read_log

#: Days by which the present day may lie after the newest reading and after the last time that rules were applied. Own
#: choice, a quarter: no fleet that runs unattended is silent for longer, and a wrong clock is usually years off.
MOST_AHEAD_D: Final = 92


@dataclass(frozen=True)
class AgeingDay:
    """From which day ages are counted.

    Attributes
    ----------
    today : by the machine's clock (UTC).
    day : to count from: never before the day on which the rules were applied last, so that what was too old stays so.
        None where the clock cannot be believed and no rules were applied before.
    doubt : why the clock is not believed, in a sentence; None if it is.
    """

    today: date
    day: date | None
    doubt: str | None = None


def ageing_day(store: Path, *, log: IngestLog | None = None, today: date | None = None) -> AgeingDay:
    """The present day, held against the newest reading of any recording and the day of the last time.

    A store that has neither gives nothing to hold it against. ``today`` is for tests.
    """
    now = today or datetime.now(UTC).date()
    on = read_state(store).get("applied", {}).get("on")
    applied = date.fromisoformat(on) if isinstance(on, str) else None
    read = [entry.last_at.date() for entry in (log or read_log(store)) if entry.last_at is not None]
    known = [*read, applied] if applied is not None else read
    if not known or now <= max(known) + timedelta(days=MOST_AHEAD_D):
        return AgeingDay(now, now if applied is None else max(now, applied))
    doubt = (
        f"Nothing was dropped: by this machine's clock it is {now}, but the newest reading and the last time that "
        f"rules were applied are of {max(known)} at the latest. If the clock is right, run `fleetbrake retain --today "
        f"{now}` once."
    )
    return AgeingDay(now, applied, doubt)
