"""What the command prints of scores and plan: lists for a terminal, in which outside text cannot steer it."""

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from fleetbrake.core.foreign_text import shortened, visible
from fleetbrake.core.vocabulary import CAUTION, PRIORITY_TEXT

if TYPE_CHECKING:
    import pandas as pd

#: Letters of an id and of a reason or note that a list shows (own choice: half a line, some lines).
MOST_OF_ID, MOST_WORDS = 48, 1_000
#: Priorities that ask for something to be done.
FLAGGED = ("before_next_trip", "this_week", "next_service", "watch")


def print_ranking(out: Console, store: Path, day: date | None) -> int:
    """Print the vehicles that need a look, two lines each; returns how many vehicles were ranked."""
    from fleetbrake.reports import reads

    ranked = reads.ranked(store, day)
    out.print(Text(f"Inspect first (as of {day or _as_of(ranked)})", style="bold"))
    flagged = ranked[ranked["priority"].isin(FLAGGED)]
    wide = max((len(_id(name)) for name in flagged["vehicle_id"]), default=0)
    for row in flagged.to_dict("records"):
        score = f"score {_number(row['health_score'])} ({_number(row['score_low'])} to {_number(row['score_high'])})"
        where = f", {_id(row['depot'])}" if _words(row["depot"]) else ""
        line = Text(f"{row['rank']:>4}  ")
        line.append(f"{_id(row['vehicle_id']):<{wide}}", style="bold")
        line.append(f"  {PRIORITY_TEXT[row['priority']]:<16}  {score}, {row['events_used']} events{where}")
        out.print(line, soft_wrap=True)
        out.print(Padding(Text(visible(shortened(_words(row["reason"]), MOST_WORDS))), (0, 0, 0, 6), expand=False))
    if flagged.empty:
        out.print("      no vehicle shows a sign")
    rest = ranked[~ranked["priority"].isin(FLAGGED)]["priority"].value_counts()
    if len(rest):
        out.print("      " + "; ".join(f"{count} more: {PRIORITY_TEXT[name]}" for name, count in rest.items()) + ".")
    out.print(Text(CAUTION, style="italic"))
    return len(ranked)


def print_plan(out: Console, store: Path) -> dict[str, int]:
    """Print the plan: what must not wait, dates that cannot be kept, days, hours; returns how many of each."""
    from fleetbrake.reports.plan_data import early_finds, plan_told

    told = plan_told(store)
    for sentence in told.rests_on(datetime.now(UTC).date()):
        out.print(Text(visible(sentence)))
    late = told.dates_lost
    others = [row for row in told.without_day if not row["date_lost"]]
    _section(out, "Before the next trip: outside the days of the plan", map(_urgent, told.before_next_trip))
    _section(out, "Dates that cannot be kept", map(_visit, late))
    _section(out, "No day found", map(_visit, others))
    day = None
    for row in told.planned:
        if row["planned_on"] != day:
            day = row["planned_on"]
            out.print(Text(f"{day:%a} {day}", style="bold"))
        _indented(out, _visit(row))
    if told.visits.empty:
        out.print("No visit is needed in the coming two weeks by what was seen.")
    _section(out, "Depots", _depots(told.days))
    if not told.visits.empty and not told.summary.empty:
        out.print(early_finds(told.summary), markup=False)
    out.print(Text(CAUTION, style="italic"))
    return {"before_next_trip": len(told.before_next_trip), "dates_not_kept": len(late), "no_day": len(others)}


def _section(out: Console, heading: str, lines: Iterable[str]) -> None:
    """A heading with its lines; nothing without lines."""
    for number, line in enumerate(lines):
        if number == 0:
            out.print(Text(heading, style="bold"))
        _indented(out, line)


def _indented(out: Console, line: str) -> None:
    out.print(Padding(Text(visible(line)), (0, 0, 0, 2), expand=False))


def _visit(row: dict[str, Any]) -> str:
    due = f", due {row['due_on']}" if row["due_on"] else ""
    note = f" [{shortened(row['note'], MOST_WORDS)}]" if row["note"] else ""
    reason = shortened(_words(row["reason"]), MOST_WORDS)
    return f"{_id(row['vehicle_id'])} ({_id(row['depot']) or 'no depot'}{due}): {reason}{note}"


def _urgent(row: dict[str, Any]) -> str:
    told = row["held_on"] is None or str(row["held_on"]) in str(row["note"])
    return _visit(row) + ("" if told else f" Bay hours are kept free on {row['held_on']}.")


def _depots(days: "pd.DataFrame") -> Iterator[str]:
    """One line a depot: hours used of those there are, over the days that have any."""
    for depot, block in days.groupby("depot", dropna=False, sort=True):
        name = _id(depot) or "no depot"
        there, booked, held = (block[column].sum() for column in ("bay_hours", "booked_hours", "held_hours"))
        line = f"{name}: {booked:g} of {there:g} bay hours planned on {int((block['bay_hours'] > 0).sum())} open days"
        line += f", {held:g} kept free" if held else ""
        for what, column in (("roller tester", "roller"), ("inspectors", "inspector")):
            limited = block[block[f"{column}_hours"].notna()]
            if len(limited):
                used, limit = limited[f"{column}_booked_hours"].sum(), limited[f"{column}_hours"].sum()
                line += f"; {what} {used:g} of {limit:g} h"
        yield line + (" (assumed: eight on working days)" if block["basis"].eq("assumed").any() else "")


def _as_of(ranked: "pd.DataFrame") -> str:
    return str(ranked["as_of"].iloc[0]) if len(ranked) else "no events"


def _words(value: Any) -> str:
    return "" if value is None or value != value else str(value)  # noqa: PLR0124 - NaN and NaT are not themselves


def _id(value: Any) -> str:
    return visible(shortened(_words(value), MOST_OF_ID))


def _number(value: Any) -> str:
    return "-" if value is None or value != value else f"{value:.0f}"  # noqa: PLR0124
