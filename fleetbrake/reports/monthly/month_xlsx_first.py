"""First sheets of the month's workbook: the summary that reads like the report's first page, and what to inspect."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd
import pyarrow as pa

from fleetbrake.core.event_tables import B, D, F, I, T
from fleetbrake.core.vocabulary import CAUTION, PRIORITIES, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures, System
from fleetbrake.reports.monthly.column_units import our_words
from fleetbrake.reports.monthly.month_change import change
from fleetbrake.reports.monthly.month_pdf_parts import HEADS, Row, is_missing, records
from fleetbrake.reports.monthly.month_pdf_parts_fleet import change_words, month_name, on_loose_ground, trend_rows
from fleetbrake.reports.monthly.month_told import MonthTold
from fleetbrake.reports.monthly.month_xlsx_cells import Exact, Formats, cell_text, row_height, with_digits, write_column
from fleetbrake.reports.monthly.month_xlsx_charts import Block, Figures, insert
from fleetbrake.reports.monthly.month_xlsx_tables import GRAINS, TYPE_WORDS, Explained, Shown, print_setup, write_heads
from fleetbrake.reports.source import nullable_frame

#: Ages of open flags that are counted (days), as in the PDF.
_AGES: Final = (7, 14, 30)
_WIDTHS: Final = (56.0, *([11.5] * 14))
_MOST_ACROSS: Final = sum(_WIDTHS)
#: Heads of the summary above words, not numbers.
_OF_WORDS: Final = frozenset({"change", "one row is"})


@dataclass
class _Page:
    """A sheet that is written from top to bottom."""

    sheet: Any
    formats: Formats
    line: int = 0

    def say(self, text: str, **traits: object) -> None:
        """One line of text over the whole width."""
        last = len(_WIDTHS) - 1
        form = self.formats.of(text_wrap=True, valign="top", **traits)
        self.sheet.merge_range(self.line, 0, self.line, last, "", form)
        self.sheet.write_string(self.line, 0, cell_text(text), form)
        size = float(traits.get("font_size", 11)) / 11.0  # type: ignore[arg-type]
        self.sheet.set_row(self.line, size * row_height([(text, _MOST_ACROSS / size)]))
        self.line += 1

    def title(self, text: str) -> None:
        """The head of a part, with an empty line above."""
        self.line += 1
        self.say(text, bold=True, font_size=12, font_color="#0d4a57")

    def heads(self, names: Sequence[str]) -> None:
        """Names of the columns of a part."""
        self.sheet.set_row(self.line, row_height([(name, _WIDTHS[place]) for place, name in enumerate(names)]))
        for place, name in enumerate(names):
            words = not place or name in _OF_WORDS
            self.sheet.write_string(
                self.line, place, name, self.formats.head if words else self.formats.head_of_numbers
            )
        self.line += 1

    def row(self, *cells: object, digits: int = 2, shown: str | None = None) -> None:
        """One row of cells by the types of their values; what is missing stays empty."""
        figures = self.formats.of(num_format=shown or with_digits(digits), valign="top")
        for place, cell in enumerate(cells):
            if is_missing(cell):
                continue
            if isinstance(cell, str) and not place:
                self.sheet.write_string(self.line, 0, cell_text(cell), self.formats.of(text_wrap=True, valign="top"))
                self.sheet.set_row(self.line, row_height([(cell, _WIDTHS[0])]))
            elif isinstance(cell, str):
                self.sheet.write_string(self.line, place, cell_text(cell), self.formats.of(indent=1))
            elif isinstance(cell, int):
                self.sheet.write_number(self.line, place, cell, self.formats.of(num_format="#,##0", valign="top"))
            else:
                self.sheet.write_number(self.line, place, Exact(cell), figures)  # type: ignore[arg-type]
        self.line += 1


def summary(
    sheet: Any, formats: Formats, told: MonthTold, seen: int, sheets: Mapping[str, Shown], trends: Sequence[Block],
    figures: Figures,
) -> None:  # fmt: skip
    """What matters of the month on one sheet; ``seen``: how many vehicles there are to inspect."""
    page = _Page(sheet, formats)
    sheet.hide_gridlines(2)
    for place, width in enumerate(_WIDTHS):
        sheet.set_column(place, place, width)
    _opening(page, told)
    _headlines(page, told)
    _months(page, told, trends, figures)
    _how_soon(page, told.tables["vehicle_health"], seen)
    _hits(page, told.tables["hit_rate"])
    _flags(page, told.tables["open_flags"])
    _recordings(page, told)
    _contents(page, sheets)
    sheet.print_area(0, 0, page.line, len(_WIDTHS) - 1)
    print_setup(sheet, told.measures, _WIDTHS)


def _opening(page: _Page, told: MonthTold) -> None:
    page.say(f"Brakes in {month_name(told.of.month)}", bold=True, font_size=16)
    page.say(_scored(told))
    page.say(CAUTION, bold=True)
    units = "US customary units here" if told.measures.system is System.US else "Metric units"
    who = "drivers under stable aliases" if told.aliased else "drivers are named: personal data, for coaching only"
    page.say(f"{units}; csv/ and parquet/ are in SI units. All times are UTC; {who}.", italic=True)
    page.say("An empty cell could not be observed: it is neither 0 nor a good sign.", italic=True)
    for remark in told.remarks:
        page.say(our_words(told.measures, remark))


def _scored(told: MonthTold) -> str:
    """Of which day the scores are, or how to have some."""
    tables = (told.tables["vehicle_health"], told.tables["driver_style"])
    scored = next((table["as_of"][0].as_py() for table in tables if table.num_rows), None)
    return f"Scores as of {look.day(scored)}." if scored else f"Scores: {told.of.not_scored}."


def _headlines(page: _Page, told: MonthTold) -> None:
    unit = told.measures.label("per_distance")
    page.title("The month")
    page.heads(("", unit, "from", "to", "counted", "not observed", "change"))
    for measure, name in HEADS.items():
        rows = trend_rows(told.tables["fleet_months"], measure)
        row = records(rows.tail(1))[0] if len(rows) else None
        if row is None or is_missing(row["events"]):
            page.row(name, None, None, None, None, None, "no recordings in the month")
        else:
            counts = (_whole(row["count"]), _whole(row["unknown"]))
            page.row(name, *_rate(row, told.measures), *counts, change_words(change(rows), row["per_distance"]))
    apart = on_loose_ground(told.tables["month_rates"])
    if apart:
        page.say(apart, italic=True)
    figures = told.figures
    for name, count in (
        ("Brake applications", figures.events),
        ("Other events (standstill, test bench, reversing): in no other count", figures.not_braking),
        ("Vehicles with recordings", figures.vehicles),
        ("Drivers named in them", figures.drivers),
        ("Recording files", figures.files),
        ("Recording files rejected", figures.files_rejected),
    ):
        page.row(name, None, None, None, count)


def _rate(row: Row, measures: Measures) -> tuple[float | None, ...]:
    """Rate and interval as they are read, nothing where no kilometres are known."""
    found = (row[f"rate_{end}per_1000km"] for end in ("", "low_", "high_"))
    return tuple(None if is_missing(v) else float(measures.of("per_distance", float(v))) for v in found)


def _whole(value: object) -> int | None:
    return None if is_missing(value) else int(value)  # type: ignore[call-overload, no-any-return]


def _months(page: _Page, told: MonthTold, trends: Sequence[Block], figures: Figures) -> None:
    """The last twelve months as a table, a row a month, and as charts."""
    unit = told.measures.label("per_distance")
    page.title(f"The last twelve months, {unit}, with 90 % intervals")
    heads = ["month", "vehicles", "brake applications"]
    for name in HEADS.values():
        heads += [name, "from", "to", "counted"]
    page.heads(heads)
    by_measure = [records(trend_rows(told.tables["fleet_months"], measure)) for measure in HEADS]
    for rows in zip(*by_measure, strict=True):
        cells: list[object] = [rows[0]["month"], _whole(rows[0]["vehicles"]), _whole(rows[0]["events"])]
        for row in rows:
            cells += [*_rate(row, told.measures), _whole(row["count"])]
        page.row(*cells)
    page.line += 1
    drawn = [block for block in trends if block.known]
    for block, place in zip(drawn, (0, 2, 8), strict=False):
        insert(page.sheet, page.line, place, figures.draw(block, "line"), block)
    page.line += 14 if drawn else 0


def _how_soon(page: _Page, health: pa.Table, seen: int) -> None:
    page.title("Vehicles by how soon they should be looked at")
    counts = pd.Series(health["priority"].to_pylist(), dtype=object).value_counts()
    for code in PRIORITIES:
        page.row(look.priority_text(code), int(counts.get(code, 0)))
    page.row("in the sheet to_inspect: flagged, past their date, planned or with an open report", seen)


def _hits(page: _Page, hits: pa.Table) -> None:
    page.title("What inspections found against what was predicted before them")
    page.heads(("", "inspected", "it held", "share", "from", "to"))
    for span, words in (("month", "Inspections of the month"), ("last_12_months", "Those of the last twelve months")):
        told = [row for row in records(nullable_frame(hits)) if row["span"] == span and (_whole(row["inspected"]) or 0)]
        page.say(words if told else f"{words}: none", italic=True)
        for row in told:
            share = (row["share"], row["share_low"], row["share_high"])
            page.row(str(row["meaning"]), _whole(row["inspected"]), _whole(row["found"]), *share, shown="0 %")


def _flags(page: _Page, flags: pa.Table) -> None:
    page.title("Flags that stand open")
    ages = pd.Series(flags["age_days"].to_pylist(), dtype="Float64")
    page.row("open", len(ages))
    for days in _AGES:
        page.row(f"open for more than {days} days", int((ages > days).sum()))


def _recordings(page: _Page, told: MonthTold) -> None:
    page.title("Recordings that failed, vehicles gone silent")
    status = pd.Series(told.tables["ingest_log"]["status"].to_pylist(), dtype=object)
    silence = nullable_frame(told.tables["month_silence"])
    page.row("files rejected", int((status == "rejected").sum()))
    page.row("files loaded in part", int((status == "partly_loaded").sum()))
    gone = int(silence["silent"].fillna(False).astype(bool).sum())
    page.row("vehicles silent at its end for longer than was usual for them", gone)
    page.row("vehicles and trailers that had not recorded by then", int(silence["silent"].isna().sum()))


def _contents(page: _Page, sheets: Mapping[str, Shown]) -> None:
    page.title("The other sheets")
    page.heads(("sheet", "rows here", "rows in csv/", "one row is"))
    for name, what in (("to_inspect", "a vehicle to inspect"), ("charts", "")):
        page.row(name, None, None, what or "charts of scores and rates")
    for name, told in sheets.items():
        page.row(
            name, told.table.num_rows, told.rows, GRAINS.get(name, "") + ("; cut: see its end" if told.note else "")
        )
    page.row("columns", None, None, "a column of a sheet, with its unit and meaning")
    page.row("chart_figures", None, None, "a figure of a chart")


@dataclass(frozen=True)
class _Field:
    """One column of the list: name, type, width, where its value comes from, what it means."""

    name: str
    type: str
    width: float
    value: Callable[[Row, Measures], Any]
    meaning: str
    shown: str = "General"


def _of(column: str) -> Callable[[Row, Measures], Any]:
    return lambda row, _: None if is_missing(row[column]) else row[column]


def _day(column: str) -> Callable[[Row, Measures], Any]:
    return lambda row, _: None if is_missing(row[column]) else pd.Timestamp(row[column]).date()


FIELDS: Final = (
    _Field("rank", I, 9, lambda row, _: _whole(row["rank"]), "1 = look at it first"),
    _Field("how soon", T, 17, lambda row, _: look.priority_text(row["priority"]), "priority in words"),
    _Field("vehicle", T, 18, _of("vehicle_id"), "vehicle or trailer"),
    _Field("depot", T, 14, _of("depot"), "depot"),
    _Field("category", T, 10, _of("category"), "UNECE category"),
    _Field("what to look at", T, 60, lambda row, m: our_words(m, row["reason"]), "the reason in a sentence"),
    _Field("position", T, 15, lambda row, _: wheel_words(row["suspect_wheel"]) or None, "where the wheel sits"),
    _Field("wheel", T, 8, _of("suspect_wheel"), "the same as axle from the front and side"),
    _Field("open report", T, 40, _of("open_report"), "what people reported or found, as they wrote it"),
    _Field("score", F, 9, _of("health_score"), "0 to 100, 100 = nothing found; it never clears a vehicle", "0.0"),
    _Field("from", F, 8, _of("score_low"), "lower end of its interval", "0.0"),
    _Field("to", F, 8, _of("score_high"), "upper end", "0.0"),
    _Field("due on", D, 12, _day("inspection_due_on"), "earliest statutory date of any kind"),
    _Field("past its date", B, 10, _of("overdue"), "the date has passed at the day of the scores"),
    _Field("planned on", D, 12, _day("planned_on"), "day in the current plan"),
    _Field("events", I, 9, lambda row, _: _whole(row["events_used"]), "brake applications behind the score", "#,##0"),
)  # fmt: skip
#: Columns of the table ``to_inspect`` by the names of the sheet.
_COLUMNS: Final = {
    "rank": "rank", "how soon": "priority", "vehicle": "vehicle_id", "depot": "depot", "category": "category",
    "what to look at": "reason", "wheel": "suspect_wheel", "open report": "open_report", "score": "health_score",
    "from": "score_low", "to": "score_high", "due on": "inspection_due_on", "past its date": "overdue",
    "planned on": "planned_on", "events": "events_used",
}  # fmt: skip
EXPLAINED: Final = tuple(Explained(f.name, "", TYPE_WORDS[f.type], f.meaning, _COLUMNS.get(f.name, "")) for f in FIELDS)
_TRAITS: Final[dict[str, dict[str, object]]] = {T: {"indent": 1}, B: {"align": "center"}, I: {"align": "center"}}
_ARROW: Final = {I: pa.int64(), F: pa.float64(), T: pa.string(), D: pa.date32(), B: pa.bool_()}


def inspect_sheet(sheet: Any, formats: Formats, seen: pd.DataFrame, measures: Measures) -> None:
    """The list of vehicles to inspect, a row a vehicle."""
    write_heads(sheet, formats, 0, [field.name for field in FIELDS], [field.width for field in FIELDS])
    rows = records(seen)
    cells = [[field.value(row, measures) for row in rows] for field in FIELDS]
    for place, (field, values) in enumerate(zip(FIELDS, cells, strict=True)):
        traits = {"text_wrap": True, "valign": "top"} | _TRAITS.get(field.type, {})
        column = pa.chunked_array([pa.array(values, _ARROW[field.type])])
        write_column(sheet, place, column, formats, field.shown, look=traits)
    for line, row in enumerate(zip(*cells, strict=True), start=1):
        texts = [(v, f.width - 2) for v, f in zip(row, FIELDS, strict=True) if isinstance(v, str)]
        sheet.set_row(line, row_height(texts))
    if not rows:
        sheet.write_string(1, 0, "No vehicle is flagged, past its date, planned or has an open report.")
    sheet.freeze_panes(1, 3)
    sheet.autofilter(0, 0, max(len(rows), 1), len(FIELDS) - 1)
    print_setup(sheet, measures, [150.0], head_row=0)
