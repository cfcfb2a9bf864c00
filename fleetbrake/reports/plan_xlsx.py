"""The plan as a workbook: what must not wait, the visits with columns to fill in, the hours, what the words mean.

Text from outside is written as text whatever it begins with; days are real dates; NULL is an empty cell.
"""

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import pandas as pd
import xlsxwriter

from fleetbrake.core.vocabulary import CAUTION, FINDINGS, INDICATORS, SEVERITY_TEXT, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures, System
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.plan_data import PlanTold, records
from fleetbrake.reports.reads import event_ids

#: Letters of one cell: more would make a row that fills a sheet of paper (own choice; the format allows 32,767).
MOST_SHOWN: Final = 2_000
#: Not allowed in XML 1.0 even when escaped (from memory): the reader would refuse the whole file.
_NO_XML: Final = re.compile("[\ud800-\udfff\ufffe\uffff]")

#: From here on a sentence holds what somebody reported.
_REPORTED: Final = re.compile(r"((?:an )?open report\b.*)", re.IGNORECASE | re.DOTALL)
_PAPER_A4, _PAPER_LETTER = 9, 1
_HEAD: Final = 3  # row of the column names, below title, caution and an empty row


@dataclass(frozen=True)
class _Field:
    """One column: its name, width in letters, how it looks, where its value comes from, what it means."""

    name: str
    width: float
    look: str
    value: Callable[[dict[str, Any]], Any]
    meaning: str


def workbook(told: PlanTold, measures: Measures) -> bytes:
    """The workbook's bytes; the same plan and units give the same bytes."""
    target = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(target, options) as book:
        as_of = told.as_of or date(1980, 1, 1)
        book.set_properties({"title": "Brake inspections", "created": datetime(as_of.year, as_of.month, as_of.day)})
        formats = _formats(book)
        beside = _background(measures)
        first = [*told.before_next_trip, *told.without_day]
        work = (*_work(measures), *_TO_FILL_IN)
        outside = (*_OUTSIDE, _PLACE[1], *work)
        _list(book, formats, measures, "Before next trip, no day", told, first, outside, beside)
        plan = _list(book, formats, measures, "Plan", told, told.planned, (*_PLACE, *work), beside)
        _days(book, formats, measures, told)
        _columns(book, formats, measures, told, (*_OUTSIDE, *_PLACE, *work, *beside))
        if not first:
            plan.activate()
    return target.getvalue()


def _formats(book: Any) -> dict[str, Any]:
    shared = {"valign": "top"}
    head = {"bold": True, "bg_color": "#e3ebed", "bottom": 1, "text_wrap": True, "valign": "top"}
    return {
        "title": book.add_format({"bold": True, "font_size": 14}),
        "quiet": book.add_format({"italic": True}),
        "head": book.add_format(head),
        "headday": book.add_format({**head, "num_format": "ddd d mmm"}),
        "text": book.add_format(shared),
        "wrap": book.add_format({**shared, "text_wrap": True}),
        "day": book.add_format({**shared, "num_format": "yyyy-mm-dd", "align": "left"}),
        "hours": book.add_format({**shared, "num_format": "0.0#"}),
        "whole": book.add_format({**shared, "num_format": "#,##0"}),
        "share": book.add_format({**shared, "num_format": "0 %"}),
        "fill": book.add_format({**shared, "border": 1, "border_color": "#7d8b96", "text_wrap": True}),
    }


def _of(column: str) -> Callable[[dict[str, Any]], Any]:
    return lambda row: row[column]


def _events(row: dict[str, Any]) -> str | None:
    return "\n".join(event_ids(row["evidence"])) or None


_OUTSIDE: Final = (
    _Field(
        "why it has no day",
        22,
        "wrap",
        lambda row: (
            "before the next trip"
            if row["priority"] == "before_next_trip"
            else "date cannot be kept"
            if row["date_lost"]
            else "no day found"
        ),
        "Before the next trip: outside the days of the plan, not on the road until a qualified inspector decides.",
    ),
    _Field("hours kept free on", 12, "day", _of("held_on"), "Day on which bay hours are kept free for the vehicle."),
)

_PLACE: Final = (
    _Field("day", 11, "day", _of("planned_on"), "Planned day."),
    _Field("depot", 11, "wrap", _of("depot"), "Depot whose bays are used."),
    _Field("order", 6, "whole", _of("position"), "Order within the day."),
)

_TO_FILL_IN: Final = (
    _Field("done on", 11, "fill", lambda _: None, "To fill in: day of the inspection."),
    _Field("finding", 16, "fill", lambda _: None, "To fill in: " + ", ".join(FINDINGS) + "."),
    _Field("found at wheel", 8, "fill", lambda _: None, "To fill in: 1L is axle 1 left, 2R axle 2 right."),
    _Field("severity", 10, "fill", lambda _: None, "To fill in: " + ", ".join(SEVERITY_TEXT) + "."),
    _Field(
        "remarks, work done", 26, "fill", lambda _: None, "To fill in; findings go in by the pages or the CSV sheet."
    ),
)


def _work(measures: Measures) -> tuple[_Field, ...]:
    """Columns of the work itself, printed."""
    return (
        _Field("vehicle", 14, "wrap", _of("vehicle_id"), "Vehicle or trailer."),
        _Field("position", 12, "wrap", lambda row: wheel_words(row["wheel"]) or None, "Wheel to look at first."),
        _Field("what to look at", 40, "wrap", lambda row: _reason(measures, row), "Reason in a sentence."),
        _Field("bay hours", 6, "hours", _of("bay_hours"), "Time set aside (h)."),
        _Field("roller hours", 6, "hours", _of("roller_hours"), "Part of it on the roller tester (h)."),
        _Field("inspector hours", 9, "hours", _of("inspector_hours"), "Part of it by a qualified brake inspector (h)."),
        _Field("due on", 11, "day", _of("due_on"), "Statutory date, the earliest of several."),
        _Field("date not kept", 11, "day", _of("date_lost"), "Statutory date that cannot be kept; the note says why."),
        _Field("statutory", 12, "wrap", _of("statutory"), "Kinds of statutory inspection done in the visit."),
        _Field("note", 26, "wrap", _of("note"), "Overdue, capacity assumed, why a date cannot be kept ..."),
    )


def _reason(measures: Measures, row: dict[str, Any]) -> str | None:
    """Our own sentences in the units of the reader; what a person reported stays as it was written."""
    if row["reason"] is None:
        return None
    ours, *reported = _REPORTED.split(str(row["reason"]), maxsplit=1)
    return in_units(measures, ours) + "".join(reported)


def _background(measures: Measures) -> tuple[_Field, ...]:
    """Columns beside the printed ones."""

    def measured(column: str, quantity: str) -> Callable[[dict[str, Any]], Any]:
        return lambda row: None if row[column] is None else measures.of(quantity, float(row[column]))

    distance, mass = measures.label("distance"), measures.label("mass")
    since = "Distance of the recorded trips since the last roller test; empty without a test or trips."
    return (
        _Field("priority", 14, "wrap", lambda row: look.priority_text(row["priority"]), "How soon by the scores."),
        _Field("indicator", 26, "wrap", lambda row: INDICATORS.get(row["indicator"]), "What was seen, in plain words."),
        _Field("chance of a defect", 9, "share", _of("defect_probability"), "Probability that a defect is found."),
        _Field("category", 9, "text", _of("category"), "UNECE category."),
        _Field(f"max. mass ({mass})", 10, "whole", measured("max_mass_kg", "mass"), "From the register."),
        _Field(f"odometer ({distance})", 11, "whole", measured("odometer_km", "distance"), "From the register."),
        _Field(f"since roller test ({distance})", 11, "whole", measured("km_since_roller_test", "distance"), since),
        _Field("events", 30, "wrap", _events, "Recorded brake applications that weigh most, newest first."),
    )


def _list(
    book: Any,
    formats: dict[str, Any],
    measures: Measures,
    name: str,
    told: PlanTold,
    rows: Sequence[dict[str, Any]],
    printed: Sequence[_Field],
    beside: Sequence[_Field],
) -> Any:
    """One sheet with a row a visit; the ``printed`` columns fit a page across, the others stand to their right."""
    sheet = _sheet(book, formats, measures, name, told)
    fields = (*printed, *beside)
    for column, field in enumerate(fields):
        sheet.set_column(column, column, field.width)
        sheet.write_string(_HEAD, column, field.name, formats["head"])
        for line, row in enumerate(rows, start=_HEAD + 1):
            write(sheet, line, column, field.value(row), formats[field.look])
    if not rows:
        sheet.write_string(_HEAD + 1, 0, "none", formats["quiet"])
    last = _HEAD + max(len(rows), 1)
    names = [field.name for field in fields]
    sheet.freeze_panes(_HEAD + 1, names.index("vehicle") + 1)
    sheet.autofilter(_HEAD, 0, last, len(fields) - 1)
    sheet.print_area(0, 0, last, len(printed) - 1)
    for offered, words in (("finding", FINDINGS), ("severity", SEVERITY_TEXT)):
        place = names.index(offered)
        sheet.data_validation(_HEAD + 1, place, last, place, {"validate": "list", "source": list(words)})
    return sheet


def _sheet(book: Any, formats: dict[str, Any], measures: Measures, name: str, told: PlanTold) -> Any:
    """An empty sheet with title, caution and print setup."""
    sheet = book.add_worksheet(name)
    sheet.write_string(0, 0, _title(name, told), formats["title"])
    sheet.write_string(1, 0, CAUTION, formats["quiet"])
    sheet.set_landscape()
    sheet.set_paper(_PAPER_LETTER if measures.system is System.US else _PAPER_A4)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(_HEAD)
    sheet.set_footer("&L&A&CA score never clears a vehicle.&R&P / &N")
    return sheet


def _title(name: str, told: PlanTold) -> str:
    begins, ends = (told.summary[column].dropna() for column in ("begins_on", "ends_on"))
    span = f", {look.day(begins.min())} to {look.day(ends.max())}" if len(begins) and len(ends) else ""
    scores = f"; scores as of {look.day(told.as_of)}" if told.as_of else "; not scored yet"
    return f"{name}{span}{scores}"


_COUNTED: Final = (
    ("bay hours", "bay_hours", "hours"),
    ("bay hours planned", "booked_hours", "hours"),
    ("bay hours kept free", "held_hours", "hours"),
    ("bay hours left", "left_hours", "hours"),
    ("roller hours", "roller_hours", "hours"),
    ("roller hours used", "roller_booked_hours", "hours"),
    ("inspector hours", "inspector_hours", "hours"),
    ("inspector hours used", "inspector_booked_hours", "hours"),
    ("visits", "visits", "whole"),
    ("vehicles", "vehicles", "whole"),
    ("must stay on the road", "min_on_road", "whole"),
    ("hours from", "basis", "text"),
)


def _with_left(row: dict[str, Any]) -> dict[str, Any]:
    parts = [row[name] for name in ("bay_hours", "booked_hours", "held_hours")]
    known = None not in parts
    return row | {"left_hours": parts[0] - parts[1] - parts[2] if known else None}


def _days(book: Any, formats: dict[str, Any], measures: Measures, told: PlanTold) -> None:
    """A grid: depots and what is counted down, days across; what is not limited anywhere has no line."""
    sheet = _sheet(book, formats, measures, "Days", told)
    days = sorted(told.days["day"].dropna().unique())
    across = {day: place for place, day in enumerate(days, start=2)}
    for column, (head, width) in enumerate((("depot", 16), ("per day", 22))):
        sheet.set_column(column, column, width)
        sheet.write_string(_HEAD, column, head, formats["head"])
    for day, column in across.items():
        write(sheet, _HEAD, column, day, formats["headday"])
    if across:
        sheet.set_column(2, len(across) + 1, 9.5)
    line = _HEAD
    for depot, block in told.days.groupby("depot", dropna=False, sort=False):
        rows = [_with_left(row) for row in records(block)]
        name = "no depot" if pd.isna(depot) else str(depot)  # type: ignore[call-overload]
        for counted, source, form in _COUNTED:
            if all(row[source] is None for row in rows):
                continue
            line += 1
            write(sheet, line, 0, name, formats["wrap"])
            sheet.write_string(line, 1, counted, formats["text"])
            for row in rows:
                write(sheet, line, across[row["day"]], row[source], formats[form])
    sheet.freeze_panes(_HEAD + 1, 2)
    sheet.autofilter(_HEAD, 0, max(line, _HEAD + 1), len(across) + 1)


_GRID_WORDS: Final = (
    ("bay hours planned, kept free, left", "By planned visits; for vehicles outside the plan; for what comes."),
    ("roller, inspector hours", "Only where the register of capacity limits them; used: planned and kept free."),
    ("visits, vehicles", "Vehicles in the workshop on the day; all vehicles and trailers of the depot."),
    ("must stay on the road", "Vehicles that the register of capacity wants on the road."),
    ("hours from", "date, weekday: register of capacity; closed: weekday not listed; assumed: eight on working days."),
)


def _columns(book: Any, formats: dict[str, Any], measures: Measures, told: PlanTold, fields: Sequence[_Field]) -> None:
    """What every column means, and what the plan says of itself depot by depot."""
    sheet = _sheet(book, formats, measures, "Columns", told)
    for column, (name, width) in enumerate((("column", 30), ("meaning", 110))):
        sheet.set_column(column, column, width)
        sheet.write_string(_HEAD, column, name, formats["head"])
    lines = [(field.name, field.meaning) for field in fields] + list(_GRID_WORDS)
    lines += [("the plan rests on", sentence) for sentence in told.rests_on()]
    for row in records(told.summary):
        lines.append((f"depot {row['depot'] or '(none)'}", row["note"] or look.MISSING))
    for line, (name, meaning) in enumerate(lines, start=_HEAD + 1):
        write(sheet, line, 0, name, formats["wrap"])
        write(sheet, line, 1, meaning, formats["wrap"])
    sheet.freeze_panes(_HEAD + 1, 0)


def write(sheet: Any, line: int, column: int, value: Any, form: Any) -> None:
    """One cell by the type of its value; text is never a formula, a link or a number."""
    if value is None:
        sheet.write_blank(line, column, None, form)
    elif isinstance(value, bool):
        sheet.write_boolean(line, column, value, form)
    elif isinstance(value, int | float):
        sheet.write_number(line, column, value, form)
    elif isinstance(value, date):
        sheet.write_datetime(line, column, datetime(value.year, value.month, value.day), form)
    else:
        text = _NO_XML.sub("\N{REPLACEMENT CHARACTER}", str(value))
        sheet.write_string(line, column, text if len(text) <= MOST_SHOWN else text[: MOST_SHOWN - 1] + "…", form)
