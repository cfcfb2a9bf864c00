"""The plan as iCalendar (RFC 5545): one all-day entry a visit; hours stand in its text, since bays have no clock times.

What has no day of its own is in it too, so that nobody takes an empty day for a quiet one (own choice): a vehicle that
must not wait stands on the day whose bay hours are kept free for it, else on the first day of the plan, and so does a
visit that found no day; a statutory date that cannot be kept stands on that date. All are marked as tentative.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from icalendar import Calendar, Event

from fleetbrake import __version__
from fleetbrake.core.foreign_text import shortened
from fleetbrake.core.vocabulary import CAUTION, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.plan_data import PlanTold, purpose
from fleetbrake.reports.printed import printed

#: Longest text of an entry's title, place or paragraph (own choice: calendars show a line; ids have no upper length).
MOST_LETTERS: Final = 300
MOST_IN_PARAGRAPH: Final = 4000
#: A long id leaves room in the title for what the visit is for.
MOST_OF_ID: Final = 80

_LINE_END: Final = re.compile("\r\n|\r|\n")


@dataclass(frozen=True)
class _Entry:
    """One entry: its day, what its title begins with, and whether the day is settled."""

    row: dict[str, Any]
    day: date
    title: str
    settled: bool


def calendar(told: PlanTold, revision: int) -> bytes:
    """The plan as an iCalendar object; the same plan gives the same bytes.

    ``revision`` grows with what planners enter, so that a calendar that is read in again takes the newer day of an
    entry. Its UID stays the same as long as a visit has the same occasion: statutory date, else the flag's first day.
    """
    made = Calendar()
    made.add("prodid", f"-//fleetbrake//inspection plan {__version__}//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("name", "Brake inspections")
    if told.rests_on():
        made.add("description", _paragraph(" ".join(told.rests_on())))
    for entry in _entries(told):
        made.add_component(_event(entry, told.as_of or entry.day, revision))
    return bytes(made.to_ical())


def _entries(told: PlanTold) -> Iterator[_Entry]:
    begins = _begins(told)
    for row in told.before_next_trip:
        day = row["held_on"] or begins
        if day is not None:
            yield _Entry(row, day, "Before the next trip: ", False)
    for row in told.without_day:
        day = max((d for d in (row["date_lost"], begins) if d is not None), default=None)
        if day is not None:
            title = "Date cannot be kept: " if row["date_lost"] else "No day found: "
            yield _Entry(row, day, title, False)
    for row in told.planned:
        yield _Entry(row, row["planned_on"], "One date cannot be kept: " if row["date_lost"] else "", True)


def _begins(told: PlanTold) -> date | None:
    if not told.summary.empty and told.summary["begins_on"].notna().any():
        first: date = told.summary["begins_on"].dropna().min()
        return first
    return told.as_of + timedelta(days=1) if told.as_of else None


def _event(entry: _Entry, as_of: date, revision: int) -> Event:
    row = entry.row
    event = Event()
    event.add("uid", _uid(row))
    event.add("dtstamp", datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC))
    event.add("sequence", revision)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    event.add("summary", one_line(f"{entry.title}{one_line(row['vehicle_id'], MOST_OF_ID)}: {purpose(row)}"))
    if row["depot"]:
        event.add("location", one_line(row["depot"]))
    event.add("description", "\n".join(_paragraphs(entry)))
    event.add("categories", ["Brake inspection", look.priority_text(row["priority"] or "no_sign")])
    event.add("status", "CONFIRMED" if entry.settled else "TENTATIVE")
    event.add("transp", "TRANSPARENT")
    return event


def _paragraphs(entry: _Entry) -> Iterator[str]:
    row = entry.row
    yield _paragraph(f"Vehicle {row['vehicle_id']}")
    if row["reason"]:
        yield _paragraph(row["reason"])
    if row["wheel"]:
        yield f"Position: {_paragraph(wheel_words(row['wheel']))}"
    yield f"Time set aside: {hours_words(row)}"
    if row["due_on"]:
        yield f"Statutory date: {look.day(row['due_on'])}"
    if row["fixed"]:
        yield "The day was fixed by a planner."
    if row["date_lost"]:
        yield f"Cannot be kept: {look.day(row['date_lost'])}"
    if row["note"]:
        yield _paragraph(f"Note: {row['note']}")
    yield CAUTION


def hours_words(row: dict[str, Any]) -> str:
    """Bay hours, and how many of them on the roller tester and by a qualified inspector, where known."""
    if row["bay_hours"] is None:
        return "not known"
    words = [f"{row['bay_hours']:g} bay hours"]
    if row["roller_hours"]:
        words.append(f"{row['roller_hours']:g} on the roller tester")
    if row["inspector_hours"]:
        words.append(f"{row['inspector_hours']:g} by a qualified brake inspector")
    return ", ".join(words)


def _uid(row: dict[str, Any]) -> str:
    occasion = ("statutory", row["due_on"]) if row["statutory"] else ("look", row["flagged_on"])
    told = "\0".join(str(part or "") for part in (row["vehicle_id"], *occasion))
    return hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()[:40] + "@fleetbrake.invalid"


def one_line(text: object, most: int = MOST_LETTERS) -> str:
    """Foreign text in one line of at most ``most`` letters, with nothing in it that steers a reader.

    RFC 5545, 3.1: no control characters but the tab (verified (secondary): its grammar as quoted in public sources).
    """
    return shortened(" ".join(printed(_LINE_END.sub(" ", str(text))).split()), most)


def _paragraph(text: object) -> str:
    return one_line(text, MOST_IN_PARAGRAPH)
