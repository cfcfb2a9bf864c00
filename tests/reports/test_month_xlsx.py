"""The month's workbook as a person meets it: first sheets, units, charts, print setup, what is cut, empty months."""

import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import openpyxl
import pandas as pd
import pint
import pyarrow as pa
import pytest
from builders import AS_OF, MONTH
from made_month import made_month

from fleetbrake.core.event_tables import F
from fleetbrake.core.vocabulary import CAUTION, wheel_words
from fleetbrake.reports import reads
from fleetbrake.reports.measures import METRIC, US
from fleetbrake.reports.monthly.column_units import COLUMNS, heading, in_units_read, si_unit, unit_read
from fleetbrake.reports.monthly.month_told import MonthTold, month_told
from fleetbrake.reports.monthly.month_xlsx import write_workbook
from fleetbrake.reports.monthly.month_xlsx_cells import MOST_CHARACTERS, cell_text
from fleetbrake.reports.monthly.month_xlsx_tables import MOST_CELLS, shown

#: Unit in a heading -> unit as Pint names it.
PINT: Final = {
    "m/s": "m/s", "mph": "mile/hour", "m/s²": "m/s**2", "ft/s²": "foot/s**2", "m/s³": "m/s**3", "ft/s³": "foot/s**3",
    "km": "km", "mi": "mile", "m": "m", "ft": "foot", "kPa": "kPa", "psi": "psi", "kg": "kg", "lb": "pound",
    "kJ": "kJ", "BTU": "Btu_it", "kJ/km": "kJ/km", "BTU/mi": "Btu_it/mile", "°C": "degC", "°F": "degF",
    "per 1000 km": "1/km", "per 1000 mi": "1/mile",
}  # fmt: skip
CHART: Final = "{http://schemas.openxmlformats.org/drawingml/2006/chart}"


@pytest.fixture(scope="module")
def told(store: Path) -> MonthTold:
    return month_told(store, MONTH)


@pytest.fixture(scope="module")
def path(told: MonthTold, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("workbook") / "book.xlsx"
    write_workbook(file, told)
    return file


@pytest.fixture(scope="module")
def book(path: Path) -> Any:
    return openpyxl.load_workbook(path)


@pytest.fixture(scope="module")
def made() -> MonthTold:
    """A month with kilometres, ten months of recordings and five depots."""
    return made_month(60)


@pytest.fixture(scope="module")
def made_path(made: MonthTold, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("workbook") / "made.xlsx"
    write_workbook(file, made)
    return file


def _texts(sheet: Any) -> list[str]:
    return [str(cell) for row in sheet.iter_rows(values_only=True) for cell in row if cell is not None]


def _rows(sheet: Any) -> list[dict[str, Any]]:
    head, *rows = list(sheet.iter_rows(values_only=True))
    return [dict(zip(head, row, strict=True)) for row in rows]


def _sheets(told: MonthTold) -> list[str]:
    """Tables with a sheet in their own columns: the list of vehicles stands in front, in words."""
    return [name for name in told.tables if name != "to_inspect"]


def test_sheets_stand_in_order(book: Any, told: MonthTold) -> None:
    assert book.sheetnames == ["summary", "to_inspect", "charts", *_sheets(told), "columns", "chart_figures"]


def test_nothing_is_a_formula_or_a_link(hostile_store: Path, tmp_path: Path) -> None:
    """In the parts of the file itself; the ids that try are there as text."""
    write_workbook(tmp_path / "hostile.xlsx", month_told(hostile_store, MONTH))
    with zipfile.ZipFile(tmp_path / "hostile.xlsx") as parts:
        names = parts.namelist()
        sheets = [parts.read(n).decode() for n in names if n.startswith("xl/worksheets/sheet")]
        links = [parts.read(n).decode() for n in names if n.endswith(".rels")]
        texts = parts.read("xl/sharedStrings.xml").decode()
    assert len(sheets) > 25 and "=HYPERLINK(" in texts
    assert not [xml for xml in sheets if re.search(r"<f[ >]|<hyperlink", xml)]
    assert not [xml for xml in links if "TargetMode" in xml]


def test_summary_tells_the_months_figures(book: Any, told: MonthTold) -> None:
    """The figures of the table ``fleet_months``, and lockups above the cut-off speed alone."""
    sheet = book["summary"]
    texts = _texts(sheet)
    assert "Brakes in January 2026" in texts and CAUTION in texts and "Scores as of 28 Jan 2026." in texts
    rows = {row[0]: row[1:6] for row in sheet.iter_rows(values_only=True) if row[0]}
    months = {(r["month"], r["measure"]): r for r in told.tables["fleet_months"].to_pylist()}
    for measure, name in (
        ("hard_stops", "Hard stops"),
        ("modulation", "Anti-lock modulation"),
        ("lockups_above_cutoff", "Lockups above cut-off speed"),
    ):
        row = months[MONTH, measure]
        ends = (row["rate_per_1000km"], row["rate_low_per_1000km"], row["rate_high_per_1000km"])
        assert rows[name] == (*ends, row["counted"], row["not_observed"])
    assert rows["Brake applications"][3] == told.figures.events == 156
    assert not [text for text in texts if "locked wheel" in text.casefold()]
    listed = {row[0]: row[1:4] for row in sheet.iter_rows(values_only=True) if row[0] in told.tables}
    for name in _sheets(told):
        rows_of = told.tables[name].num_rows
        assert listed[name][:2] == (rows_of, rows_of) and listed[name][2], name


def test_to_inspect_is_who_needs_a_look_by_rank_with_reason_and_wheel(book: Any, store: Path) -> None:
    ranked = reads.ranked(store)
    wanted = [row for row in ranked.to_dict("records") if reads.needs_a_look(row)]
    rows = _rows(book["to_inspect"])
    assert [row["vehicle"] for row in rows] == [row["vehicle_id"] for row in wanted]
    assert [row["what to look at"] for row in rows] == [row["reason"] for row in wanted]
    assert [row["position"] or "" for row in rows] == [wheel_words(row["suspect_wheel"]) for row in wanted]
    assert any("axle" in (row["position"] or "") for row in rows)
    planned = [None if pd.isna(row["planned_on"]) else pd.Timestamp(row["planned_on"]) for row in wanted]
    assert [row["planned on"] for row in rows] == planned
    assert [row["past its date"] for row in rows] == [row["inspection_due_on"] <= AS_OF for row in wanted]


def test_every_column_of_every_sheet_is_explained(book: Any, told: MonthTold) -> None:
    lines = list(book["columns"].iter_rows(min_row=2, values_only=True))
    explained = {(row[0], row[1]) for row in lines}
    for name in (*_sheets(told), "to_inspect", "chart_figures"):
        heads = {(name, cell.value) for cell in book[name][1]}
        assert heads == {pair for pair in explained if pair[0] == name}
    assert all(row[3] and row[4] for row in lines)
    meanings = {(row[0], row[5]): row[4] for row in lines if row[5] and row[0] != "to_inspect"}
    assert meanings == {(n, c.name): c.meaning for n, columns in COLUMNS.items() if n != "to_inspect" for c in columns}
    listed = {c.name for c in COLUMNS["to_inspect"]}
    assert {row[5] for row in lines if row[0] == "to_inspect" and row[5]} <= listed


def test_sheets_are_ready_to_read_and_to_print(book: Any, told: MonthTold) -> None:
    for name in (*_sheets(told), "to_inspect", "columns"):
        sheet = book[name]
        assert sheet.freeze_panes and sheet.auto_filter.ref, name
        assert sheet.print_title_rows == "$1:$1" and sheet.page_setup.orientation == "landscape"
        assert CAUTION in sheet.oddFooter.left.text and int(sheet.page_setup.paperSize) == 9
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        widths = [d.width for d in sheet.column_dimensions.values()]
        assert widths and min(widths) >= 7 and max(widths) <= 101
    formats = {c.value.partition(" (")[0]: d.number_format for c, d in zip(*book["events"]["1:2"], strict=True)}
    assert formats["peak_decel_mps2"] == "#,##0.00" and formats["started_at"] == "yyyy-mm-dd hh:mm:ss.000"
    assert formats["samples"] == "#,##0" and formats["sample_rate_hz"] == "#,##0.00"


def _series(path: Path) -> list[dict[str, Any]]:
    """Every chart's figures as they are kept in its own part: values, and the ends of its error bars."""
    found = []
    with zipfile.ZipFile(path) as parts:
        for name in sorted(n for n in parts.namelist() if re.match(r"xl/charts/chart\d+\.xml", n)):
            xml = parts.read(name).decode()
            refs = re.findall(r"<c:(val|plus|minus)><c:numRef><c:f>([^<]+)</c:f>", xml)
            title = "".join(re.findall(r"<a:t>([^<]*)</a:t>", xml)[:1])
            found.append({"title": title, **dict(refs)})
    return found


def _cells(book: Any, reference: str) -> list[Any]:
    sheet, _, area = reference.partition("!")
    return [row[0].value for row in book[sheet][area.replace("$", "") if ":" in area else f"{area}:{area}"]]


def test_charts_draw_the_tables_figures_with_their_intervals(made_path: Path, made: MonthTold) -> None:
    book = openpyxl.load_workbook(made_path)
    charts = {chart["title"]: chart for chart in _series(made_path)}
    assert len(charts) == 13  # three trends, the scores, three splits with three measures each
    seen = [row["vehicle"] for row in _rows(book["to_inspect"])]
    health = {r["vehicle_id"]: r for r in made.tables["vehicle_health"].to_pylist()}
    scored = [health[v] for v in seen if health[v]["health_score"] is not None][:25]
    drawn = next(chart for title, chart in charts.items() if title.startswith("Health scores"))
    assert _cells(book, drawn["val"]) == [r["health_score"] for r in scored]
    assert _cells(book, drawn["plus"]) == [r["score_high"] - r["health_score"] for r in scored]
    assert _cells(book, drawn["minus"]) == [r["health_score"] - r["score_low"] for r in scored]
    rates = [r for r in made.tables["month_rates"].to_pylist() if r["measure"] == "hard_stops"]
    for dimension in ("depot", "category"):
        mine = [r for r in rates if r["dimension"] == dimension]
        mine.sort(key=lambda r: (r["part"] is None, r["part"]))
        drawn = charts[f"Hard stops by {dimension}"]
        assert _cells(book, drawn["val"]) == [r["rate_per_1000km"] for r in mine]
        wide = [
            None if r["rate_per_1000km"] is None else r["rate_high_per_1000km"] - r["rate_per_1000km"] for r in mine
        ]
        assert _cells(book, drawn["plus"]) == wide


def test_a_month_without_recordings_is_a_gap_in_the_trend(made_path: Path, made: MonthTold) -> None:
    book = openpyxl.load_workbook(made_path)
    rows = [r for r in made.tables["fleet_months"].to_pylist() if r["measure"] == "modulation"]
    first = next(n for n, row in enumerate(rows) if row["events"])
    wanted = [r["rate_per_1000km"] for r in rows[first:]]
    drawn = next(chart for chart in _series(made_path) if chart["title"] == "Anti-lock modulation")
    assert _cells(book, drawn["val"]) == wanted and None in wanted and wanted[-1] is not None


def test_charts_say_in_words_what_they_show(made_path: Path) -> None:
    with zipfile.ZipFile(made_path) as parts:
        drawings = "".join(parts.read(n).decode() for n in parts.namelist() if "drawings/drawing" in n)
    assert drawings.count("with 90 % intervals; figures in the sheet chart_figures") == 13


# --- units


def test_every_column_with_a_unit_is_read_in_us_units() -> None:
    """The figure of each measured column against Pint: its unit in the tables to the unit of its heading."""
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    values = np.array([-3.5, 0.0, 1.0, 88.0, 4.4e4])
    seen = set()
    for name, columns in COLUMNS.items():
        for column in columns:
            unit = si_unit(name, column)
            if column.type != F or unit not in PINT:
                continue
            seen.add(unit)
            kinds = {c.name: pa.float64() if c.type == F else pa.string() for c in columns}
            table = pa.table({c.name: pa.nulls(5, kinds[c.name]) if c is not column else values for c in columns})
            read = in_units_read({name: table}, US)[name][column.name].to_numpy()
            title = heading(name, column, US)
            there = registry.Quantity(values, PINT[unit]).to(PINT[unit_read(name, column, US)]).magnitude
            # products of a few exact numbers; an offset of 32 leaves the error of its own size near zero
            np.testing.assert_allclose(read, there, rtol=1e-12, atol=32e-12, err_msg=f"{name}.{column.name}")
            assert title.endswith(f" ({unit_read(name, column, US)})")
            assert not re.search(r"_(mps\d?|km|kj|kpa|kg|c|m|n|1000km)( |$)|\bkm_", title), title
    assert seen == {unit for unit in PINT if unit in ("m/s", "m", "kg", "°C", "per 1000 km") or unit[0] == "k"} | {
        "m/s²",
        "m/s³",
    }


def test_no_ending_of_a_number_is_without_a_unit() -> None:
    """Columns that end like a unit have one; those without have a name that says what they are."""
    known = re.compile(r"_(mps\d?|km|kj|kpa|kg|c|m|n|s|hz|pct|deg|rad|radps|hours|1000km)$")
    for name, columns in COLUMNS.items():
        for column in (c for c in columns if c.type == F):
            assert bool(si_unit(name, column)) or not known.search(column.name), f"{name}.{column.name}"


def test_headings_are_unique_in_their_sheet() -> None:
    for name, columns in COLUMNS.items():
        for measures in (METRIC, US):
            heads = [heading(name, column, measures) for column in columns]
            assert len(set(heads)) == len(heads), name


def test_figures_whose_unit_stands_beside_them() -> None:
    """1 kPa is 0.145038 psi, 1 m is 3.28084 ft (NIST SP 811, from memory): by row where rows differ."""
    kinds = pa.array(["pressure", "pedal", None])
    events = pa.table({c.name: pa.nulls(3, pa.float64()) for c in COLUMNS["events"]})
    at = events.column_names.index
    for name, column in (
        ("demand_kind", kinds),
        ("demand_peak", pa.array([100.0, 40.0, None])),
        ("effectiveness", pa.array([0.01, 0.05, None])),
    ):
        events = events.set_column(at(name), name, column)
    read = in_units_read({"events": events}, US)["events"]
    assert read["demand_peak"].to_pylist() == [pytest.approx(14.5038, rel=1e-5), 40.0, None]
    assert read["effectiveness"].to_pylist() == [
        pytest.approx(0.01 * 3.28084 / 0.145038, rel=1e-5), pytest.approx(0.05 * 3.28084, rel=1e-5), None,
    ]  # fmt: skip


def test_trips_of_an_indicator_are_in_its_unit_even_where_its_own_row_is_cut() -> None:
    """1 m/s2 is 3.28084 ft/s2 (from memory); a share is a share."""
    key = {"vehicle_id": ["V", "V"], "indicator": ["low_brake_effectiveness", "brake_drag"], "wheel": [None, "1L"]}
    whole = pa.table({**key, "unit": ["m/s2 per unit of demand", "slip"]})
    trips = pa.table({**key, "value": [1.0, 0.5]})
    read = in_units_read({"indicator_trips": trips}, US, whole)["indicator_trips"]["value"].to_pylist()
    assert read == [pytest.approx(3.28084, rel=1e-6), 0.5]


def test_us_units_in_every_sheet_of_the_workbook(store: Path, tmp_path: Path, told: MonthTold, book: Any) -> None:
    write_workbook(tmp_path / "us.xlsx", replace(told, measures=US))
    us = openpyxl.load_workbook(tmp_path / "us.xlsx")
    metric_rows, us_rows = _rows(book["events"]), _rows(us["events"])
    for there, here in zip(metric_rows, us_rows, strict=True):
        assert here["initial_speed (mph)"] == pytest.approx(there["initial_speed_mps (m/s)"] / 0.44704)
        assert here["braking_s (s)"] == there["braking_s (s)"] and here["event_id"] == there["event_id"]
    assert int(us["events"].page_setup.paperSize) == 1
    assert "csv/ and parquet/ are in SI units" in " ".join(_texts(us["summary"]))
    reported = [row["open report"] for row in _rows(us["to_inspect"])]
    assert reported == [row["open report"] for row in _rows(book["to_inspect"])]


def test_rates_of_the_summary_are_read_in_us_units(made: MonthTold, made_path: Path, tmp_path: Path) -> None:
    """1 mile is 1.609344 km, exactly."""
    write_workbook(tmp_path / "us.xlsx", replace(made, measures=US))
    rates = []
    for path in (made_path, tmp_path / "us.xlsx"):
        sheet = openpyxl.load_workbook(path, read_only=True)["summary"]
        rates.append({row[0]: row[1:4] for row in sheet.iter_rows(max_row=14, values_only=True) if row[0]})
    for name in ("Hard stops", "Anti-lock modulation", "Lockups above cut-off speed"):
        assert rates[1][name] == pytest.approx([1.609344 * value for value in rates[0][name]])


def test_own_sentences_are_read_in_the_units_and_reports_stay(told: MonthTold) -> None:
    health = told.tables["vehicle_health"]
    reasons = ["Drags at 10 km/h in 4 events. An open report of 2026-01-05: pulls left at 80 km/h."] * health.num_rows
    at = health.column_names.index("reason")
    tables = {"vehicle_health": health.set_column(at, "reason", pa.array(reasons))}
    read = in_units_read(tables, US)["vehicle_health"]["reason"].to_pylist()
    assert read[0] == "Drags at 6 mph in 4 events. An open report of 2026-01-05: pulls left at 80 km/h."


# --- what is cut, and what there is little of


def test_a_sheet_that_is_cut_shows_what_matters_first_and_says_so(told: MonthTold, tmp_path: Path) -> None:
    events = told.tables["events"]
    part = shown("events", events, 40 * events.num_columns)
    columns = ("hard_stop", "modulation", "lockup_above_cutoff", "emergency_application")
    matters = [any(row[c] is True for c in columns) for row in events.to_pylist()]
    ids = events["event_id"].to_pylist()
    wanted = [i for i, m in zip(ids, matters, strict=True) if m] + [
        i for i, m in zip(ids, matters, strict=True) if not m
    ]
    assert part.table["event_id"].to_pylist() == wanted[:40]
    write_workbook(tmp_path / "cut.xlsx", told, most_cells=40 * events.num_columns)
    sheet = openpyxl.load_workbook(tmp_path / "cut.xlsx", read_only=True)["events"]
    rows = list(sheet.iter_rows(values_only=True))
    assert [row[0] for row in rows[1:41]] == wanted[:40] and rows[41][0] is None
    assert rows[42][0].startswith(
        f"{len(ids) - 40} more rows than the 40 above: csv/events.csv and parquet/events.parq"
    )
    assert f"{min(sum(matters), 40)} of {sum(matters)} hard stops" in rows[42][0]


def test_a_whole_month_of_the_demo_is_never_cut(told: MonthTold) -> None:
    for name, table in told.tables.items():
        assert shown(name, table).note == "" and table.num_rows * table.num_columns < MOST_CELLS


def test_months_and_stores_of_nothing(empty_store: Path, tmp_path: Path) -> None:
    write_workbook(tmp_path / "empty.xlsx", month_told(empty_store, "2025-07"))
    book = openpyxl.load_workbook(tmp_path / "empty.xlsx")
    texts = " ".join(_texts(book["summary"]))
    assert "No brake application began in 2025-07" in texts and "no recordings in the month" in texts
    assert [cell.value for cell in book["events"][1]] and book["events"].max_row == 1
    assert "nan" not in texts.casefold().split() and "None" not in texts
    assert not _series(tmp_path / "empty.xlsx")


def test_a_great_fleet_and_long_ids(tmp_path: Path) -> None:
    """Many vehicles of forty depots: charts show a dozen parts and say of how many (one more is not known)."""
    month = made_month(500, depots=40, named=lambda kind, n: f"{kind} {n} " + "very long " * 40)
    write_workbook(tmp_path / "great.xlsx", month, most_cells=2_000)
    titles = [chart["title"] for chart in _series(tmp_path / "great.xlsx")]
    assert "Hard stops by depot: 12 of 41, those with most applications" in titles
    book = openpyxl.load_workbook(tmp_path / "great.xlsx", read_only=True)
    health = month.tables["vehicle_health"].to_pylist()
    plan = dict(zip(month.plan["vehicle_id"], month.plan["planned_on"], strict=True))
    wanted = [r for r in health if reads.needs_a_look({**r, "planned_on": plan.get(r["vehicle_id"])})]
    assert len(list(book["to_inspect"].iter_rows(values_only=True))) == len(wanted) + 1


def test_text_is_cut_where_a_cell_ends() -> None:
    """A cell holds 32,767 two-byte units: letters beyond the first plane take two."""
    assert cell_text("x" * MOST_CHARACTERS) == "x" * MOST_CHARACTERS
    assert cell_text("x" * 40_000) == "x" * (MOST_CHARACTERS - 1) + "…"
    cut = cell_text("\U0001f600" * 20_000)
    assert len(cut.encode("utf-16-le")) // 2 <= MOST_CHARACTERS and cut.endswith("\U0001f600…")


def test_a_file_that_cannot_be_made_is_an_error_of_the_system(told: MonthTold, tmp_path: Path) -> None:
    with pytest.raises(OSError, match=r"book\.xlsx"):
        write_workbook(tmp_path / "nowhere" / "book.xlsx", told)
