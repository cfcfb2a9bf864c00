"""Sheets of the month's workbook that hold a table each, and the sheet that explains every column of every sheet."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.event_tables import TS, B, Column, D, F, I, T
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports.measures import Measures, System
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.monthly.column_units import COLUMNS, heading, si_unit, unit_read
from fleetbrake.reports.monthly.month_xlsx_cells import Formats, number_format, row_height, write_column

#: Cells of one sheet at most (own choice: what spreadsheet programs open at once, and a few seconds of writing).
#: CSV and Parquet have all rows.
MOST_CELLS: Final = 600_000
#: Types of columns in plain words.
TYPE_WORDS: Final = {T: "text", F: "number", I: "whole number", B: "true or false", TS: "time (UTC)", D: "date"}
#: What one row of each sheet is.
GRAINS: Final = {
    "fleet_months": "a month and measure", "month_rates": "a part of the fleet and measure",
    "hit_rate": "a figure of the predictions", "open_flags": "a flag that stands open",
    "month_drivers": "a driver", "month_silence": "a vehicle", "to_inspect": "a vehicle to inspect",
    "vehicle_health": "a vehicle", "indicators": "a vehicle, indicator and wheel",
    "indicator_trips": "a trip of a vehicle, indicator and wheel", "driver_style": "a driver",
    "driver_coaching": "a driver and thing to talk about", "exposure_summary": "a depot",
    "inspection_plan": "a planned visit", "plan_days": "a depot and day", "plan_summary": "a depot",
    "flags": "a flag", "predictions": "a vehicle and run of scoring",
    "inspection_evidence": "an inspected vehicle and day",
    "inspection_outcomes": "an inspected vehicle and day", "model_quality": "a model and figure",
    "events": "a brake application", "event_wheels": "a brake application and wheel",
    "ingest_log": "a recording file", "observability": "a class, quantity or indicator",
    "unknown_ids": "an id that no register knows", "month_figures": "a depot and category",
    "month_surfaces": "a depot, category and surface", "month_work": "a vehicle",
    "recording_facts": "a vehicle", "recording_channels": "a vehicle and channel",
}  # fmt: skip
#: What stands first in a sheet that cannot hold all: columns one of which is true or a count of two or more; words.
_FIRST: Final = {
    "events": (
        ("hard_stop", "modulation", "lockup_above_cutoff", "emergency_application"),
        "hard stops, modulation, lockups above the cut-off speed and emergency applications",
    ),
    "event_wheels": (("lockup", "modulation_cycles"), "wheels that locked or were modulated"),
    "indicator_trips": (("counts",), "trips that a finding rests on"),
    "indicators": (("ranks",), "findings that rank"),
}
_A4, _LETTER = 9, 1
#: Width of a printed page across, in letters of the cells' font (own choice: readable without a glass).
_PAGE_LETTERS: Final = 190
_WIDEST, _NARROWEST, _SAMPLED = 60.0, 9.0, 300
_MOST_FROZEN: Final = 50.0
_WIDTHS: Final = {TS: 23.0, D: 11.0, B: 9.0, I: 10.0, F: 11.0}


@dataclass(frozen=True)
class Shown:
    """The part of a table that its sheet shows: ``table``, of ``rows`` rows in all; a sentence where that is less."""

    table: pa.Table
    rows: int
    note: str


def shown(name: str, table: pa.Table, most_cells: int = MOST_CELLS) -> Shown:
    """What the sheet of a table shows: all of it, else as many rows as ``most_cells`` hold, those that matter first."""
    most = max(most_cells // max(table.num_columns, 1), 1)
    if table.num_rows <= most:
        return Shown(table, table.num_rows, "")
    left = f"{table.num_rows - most:,} more rows than the {most:,} above: csv/{name}.csv and parquet/{name}.parquet"
    if name not in _FIRST:
        return Shown(table.slice(0, most), table.num_rows, f"{left} have all of them.")
    columns, words = _FIRST[name]
    matters = np.zeros(table.num_rows, dtype=bool)
    for column in (table[c] for c in columns if c in table.column_names):
        hit = column if pa.types.is_boolean(column.type) else pc.greater_equal(column, 2)
        matters |= pc.fill_null(hit, False).to_numpy(zero_copy_only=False).astype(bool)
    order = np.argsort(~matters, kind="stable")[:most]
    kept, there = min(int(matters.sum()), most), int(matters.sum())
    note = f"{left} have all of them. First here, in their order: {kept:,} of {there:,} {words}."
    return Shown(table.take(pa.array(order)), table.num_rows, note)


def write_table(sheet: Any, formats: Formats, name: str, told: Shown, measures: Measures) -> None:
    """One table on its sheet: names of columns with units, then a row a row of the table."""
    columns = {c.name: c for c in COLUMNS[name]}
    asked = [columns[c] for c in told.table.column_names]
    titles = [heading(name, column, measures) for column in asked]
    widths = [_width(column, title, told.table[column.name]) for column, title in zip(asked, titles, strict=True)]
    widths[0] = min(widths[0], _MOST_FROZEN)
    write_heads(sheet, formats, 0, titles, widths)
    for place, column in enumerate(asked):
        write_column(sheet, place, told.table[column.name], formats, number_format(column))
    rows = told.table.num_rows
    if told.note:
        sheet.write_string(rows + 2, 0, told.note, formats.of(italic=True))
    # what stays in sight beside the scrolled columns must leave room for them
    sheet.freeze_panes(1, 2 if len(asked) > 4 and sum(widths[:2]) <= _MOST_FROZEN else 1)
    sheet.autofilter(0, 0, max(rows, 1), len(asked) - 1)
    print_setup(sheet, measures, widths, head_row=0)


def write_heads(sheet: Any, formats: Formats, line: int, titles: Sequence[str], widths: Sequence[float]) -> None:
    """Names of columns in a row, with the widths of their columns."""
    sheet.set_row(line, 32)
    for place, (title, width) in enumerate(zip(titles, widths, strict=True)):
        sheet.set_column(place, place, width)
        sheet.write_string(line, place, title, formats.head)


def print_setup(sheet: Any, measures: Measures, widths: Iterable[float], head_row: int | None = None) -> None:
    """Landscape, as many pages across as can be read, the names of columns on each, the caution below."""
    sheet.set_landscape()
    sheet.set_paper(_LETTER if measures.system is System.US else _A4)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.8)
    across = max(1, round(sum(widths) / _PAGE_LETTERS))
    sheet.fit_to_pages(across, 0)
    if head_row is not None:
        sheet.repeat_rows(head_row)
        if across > 1:
            sheet.repeat_columns(0)
    sheet.set_footer(f"&L&8{CAUTION}\n&A&R&8&P of &N")


def _width(column: Column, title: str, values: pa.ChunkedArray) -> float:
    """Width in letters: what the cells need, the longest word of the name with room for the filter's mark."""
    name, _, unit = title.partition(" (")
    head = max(len(name), len(unit) + 1) + 3.5
    if column.type in _WIDTHS:
        return max(_WIDTHS[column.type], min(head, 34.0))
    texts = values.slice(0, _SAMPLED).drop_null().to_pylist()
    longest = max((max((len(line) for line in str(text).splitlines()), default=0) for text in texts), default=0)
    return float(min(max(_NARROWEST, head, longest + 1.5), _WIDEST))


@dataclass(frozen=True)
class Explained:
    """One column of a sheet in words: heading, unit, type in words, meaning, and its column in csv/, if any."""

    heading: str
    unit: str
    kind: str
    meaning: str
    column: str = ""


def write_explained(
    sheet: Any, formats: Formats, names: Iterable[str], others: Mapping[str, Sequence[Explained]], measures: Measures
) -> None:
    """What every column of every sheet means, from the same list that the store makes its tables from."""
    heads = ("sheet", "column", "unit here", "type", "meaning", "name in csv/ and parquet/", "unit there")
    widths = (20.0, 40.0, 22.0, 15.0, 100.0, 34.0, 22.0)
    write_heads(sheet, formats, 0, heads, widths)
    lines: list[tuple[str, ...]] = [
        (name, c.heading, c.unit, c.kind, c.meaning, c.column) for name, columns in others.items() for c in columns
    ]
    for name in names:
        lines += [
            (
                name,
                heading(name, column, measures),
                unit_read(name, column, measures),
                TYPE_WORDS[column.type],
                in_units(measures, column.meaning),
                column.name,
                si_unit(name, column),
            )
            for column in COLUMNS[name]
        ]
    wrapped = formats.of(text_wrap=True, valign="top")
    for line, cells in enumerate(lines, start=1):
        sheet.set_row(line, row_height(zip(cells, widths, strict=False)))
        for place, text in enumerate(cells):
            sheet.write_string(line, place, text, wrapped)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, max(len(lines), 1), len(heads) - 1)
    print_setup(sheet, measures, widths, head_row=0)
