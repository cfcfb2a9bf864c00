"""The month's files read back by other programs' libraries, with the figures of the store."""

import csv
import re
from datetime import datetime
from pathlib import Path

import openpyxl
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pypdf
import pytest
from builders import HOSTILE, MONTH, PLAIN, build_store

from fleetbrake.core.errors import FleetbrakeError, InputError, StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports import reads
from fleetbrake.reports.aliases import KEY_FILE, aliases
from fleetbrake.reports.month import write_month
from fleetbrake.reports.month_data import month_figures, month_tables, period
from fleetbrake.reports.month_xlsx import heading
from fleetbrake.store.database import rebuilding


@pytest.fixture(scope="module")
def out(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("month")
    write_month(store, MONTH, folder)
    return folder


@pytest.fixture(scope="module")
def hostile_out(hostile_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile_month")
    write_month(hostile_store, MONTH, folder)
    return folder


def _pdf_text(path: Path) -> str:
    """All text of the PDF without white space: line breaks and break opportunities are the typesetter's."""
    text = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return re.sub(r"[\s\u200b\u00ad]", "", text)


def test_names_are_those_of_the_edges(store: Path, tmp_path: Path) -> None:
    written = write_month(store, MONTH, tmp_path / "new" / "folder")
    names = {str(p.relative_to(tmp_path / "new" / "folder")) for p in written}
    tables = {f"{kind}/{name}.{kind}" for kind in ("csv", "parquet") for name in TABLES}
    assert names == {f"brakes-{MONTH}.pdf", f"brakes-{MONTH}.xlsx", *tables}
    assert {str(p.relative_to(tmp_path / "new" / "folder")) for p in tmp_path.rglob("*.*") if p.is_file()} == names


@pytest.mark.parametrize("name", TABLES)
def test_csv_parquet_and_workbook_hold_the_same_rows(store: Path, out: Path, name: str) -> None:
    expected = month_tables(store, MONTH, aliases(store))[name]
    parquet = pq.read_table(out / "parquet" / f"{name}.parquet")
    assert parquet.equals(expected)
    assert [parquet.schema.field(c.name).metadata[b"meaning"].decode() for c in TABLES[name]] == [
        c.meaning for c in TABLES[name]
    ]
    from_csv = pa_csv.read_csv(out / "csv" / f"{name}.csv")
    assert (from_csv.num_rows, from_csv.column_names) == (expected.num_rows, expected.column_names)
    sheet = openpyxl.load_workbook(out / f"brakes-{MONTH}.xlsx", read_only=True)[name]
    rows = list(sheet.iter_rows(values_only=True))
    assert list(rows[0]) == [heading(c) for c in expected.column_names]
    assert len(rows) - 1 == expected.num_rows


def test_numbers_of_events_are_the_same_everywhere(store: Path, out: Path) -> None:
    figures = month_figures(store, MONTH)
    assert (figures.events, figures.lockup_unknown) == (156, 14)
    table = pq.read_table(out / "parquet" / "events.parquet").to_pandas()
    assert (table["hard_stop"] == True).sum() == figures.hard_stops  # noqa: E712 - a column with None
    with (out / "csv" / "events.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert sum(row["lockup"] == "true" for row in rows) == figures.lockup
    assert sum(row["lockup"] == "" for row in rows) == figures.lockup_unknown
    sheet = openpyxl.load_workbook(out / f"brakes-{MONTH}.xlsx")["events"]
    head = [cell.value for cell in sheet[1]]
    modulation = [row[head.index("modulation")] for row in sheet.iter_rows(min_row=2, values_only=True)]
    assert sum(value is True for value in modulation) == figures.modulation
    assert sum(value is None for value in modulation) == figures.modulation_unknown
    text = _pdf_text(out / f"brakes-{MONTH}.pdf")
    assert f"of{figures.events}events" in text


def test_workbook_has_real_types_frozen_panes_filters_and_explanations(out: Path) -> None:
    book = openpyxl.load_workbook(out / f"brakes-{MONTH}.xlsx")
    sheet = book["events"]
    head = [cell.value for cell in sheet[1]]
    assert "peak_decel_mps2 (m/s²)" in head and "started_at (UTC)" in head
    first = [cell.value for cell in sheet[2]]
    assert isinstance(first[head.index("started_at (UTC)")], datetime)
    assert isinstance(first[head.index("initial_speed_mps (m/s)")], float)
    assert sheet.freeze_panes == "B2" and sheet.auto_filter.ref is not None
    explained = {(row[0], row[1]) for row in book["columns"].iter_rows(min_row=2, values_only=True)}
    assert explained == {(name, c.name) for name, columns in TABLES.items() for c in columns}


def test_pdf_names_the_ranked_vehicles_reasons_and_the_caution(store: Path, out: Path) -> None:
    text = _pdf_text(out / f"brakes-{MONTH}.pdf")
    ranked = reads.ranked(store)
    places = [text.index(vehicle) for vehicle in ranked["vehicle_id"]]
    assert places == sorted(places)
    assert re.sub(r"\s", "", ranked["reason"].iloc[0]) in text
    assert re.sub(r"\s", "", CAUTION) in text
    assert "thefileendsbeforeitsfooter" in text


def test_hostile_ids_come_out_as_they_are(hostile_store: Path, hostile_out: Path) -> None:
    book = openpyxl.load_workbook(hostile_out / f"brakes-{MONTH}.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type != "f" and cell.hyperlink is None for cell in cells)
    ids = [row[0] for row in book["vehicle_health"].iter_rows(min_row=2, values_only=True)]
    assert ids == list(HOSTILE.vehicles)
    with (hostile_out / "csv" / "vehicle_health.csv").open(newline="", encoding="utf-8") as file:
        listed = [row["vehicle_id"] for row in csv.DictReader(file)]
    assert listed == [("'" + v if v[0] in "=+-@\t\r" else v) for v in HOSTILE.vehicles]
    assert pq.read_table(hostile_out / "parquet" / "vehicle_health.parquet")["vehicle_id"].to_pylist() == ids
    text = _pdf_text(hostile_out / f"brakes-{MONTH}.pdf")
    assert "<script>alert('x')</script>" in text and "#setpage(fill:red)" in text
    assert 1 < len(pypdf.PdfReader(hostile_out / f"brakes-{MONTH}.pdf").pages) < 8


def test_no_cell_of_any_csv_begins_like_a_formula(hostile_out: Path) -> None:
    seen = 0
    for path in (hostile_out / "csv").glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            for row in csv.reader(file):
                for cell in row:
                    number = re.fullmatch(r"-?[\d.]+(e[-+]?\d+)?", cell)
                    assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")), (path.name, cell)
                    seen += 1
    assert seen > 1000


@pytest.mark.parametrize("kind", ["out", "hostile_out"])
def test_no_driver_is_named_without_the_safety_role(kind: str, request: pytest.FixtureRequest) -> None:
    folder: Path = request.getfixturevalue(kind)
    drivers = (PLAIN if kind == "out" else HOSTILE).drivers
    told = [driver for driver in drivers if len(driver) > 3]  # shorter ones are part of other words by chance
    assert len(told) >= 4
    text = _pdf_text(folder / f"brakes-{MONTH}.pdf")
    csvs = "".join(path.read_text(encoding="utf-8") for path in (folder / "csv").glob("*.csv")).replace('""', '"')
    book = openpyxl.load_workbook(folder / f"brakes-{MONTH}.xlsx", read_only=True)
    cells = "\n".join(
        str(v) for sheet in book for row in sheet.iter_rows(values_only=True) for v in row if v is not None
    )
    for driver in told:
        assert driver not in csvs and driver not in cells and re.sub(r"\s", "", driver) not in text


def test_with_the_safety_role_drivers_are_named(store: Path, tmp_path: Path) -> None:
    write_month(store, MONTH, tmp_path, safety_role=True)
    table = pq.read_table(tmp_path / "parquet" / "driver_style.parquet")
    assert table["driver_id"].to_pylist() == list(PLAIN.drivers)


def test_aliases_are_stable_in_a_store_and_differ_between_stores(tmp_path: Path) -> None:
    first, second = tmp_path / "a", tmp_path / "b"
    first.mkdir(), second.mkdir()
    assert aliases(first)("D-1") == aliases(first)("D-1") != aliases(second)("D-1")
    assert len({aliases(first)(f"D-{n}") for n in range(5000)}) == 5000
    assert (first / KEY_FILE).stat().st_mode & 0o077 == 0
    assert [p.name for p in first.iterdir()] == [KEY_FILE]
    (first / KEY_FILE).write_bytes(b"short")
    with pytest.raises(StoreError, match="damaged"):
        aliases(first)


def test_month_boundaries_are_utc_first_moment_in_last_out(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    stamps = [
        "2026-01-31 23:59:59.999999+00",
        "2026-02-01 00:00:00+00",
        "2026-02-28 23:30:00-02",
        "2026-03-01 00:30:00+02",
    ]
    with rebuilding(store) as con:
        con.execute("DELETE FROM events")
        for number, stamp in enumerate(stamps):
            con.execute(
                "INSERT INTO events (event_id, started_at) VALUES (?, CAST(? AS TIMESTAMPTZ))", [str(number), stamp]
            )
    of_month = {
        m: month_tables(store, m, None)["events"]["event_id"].to_pylist() for m in ("2026-01", "2026-02", "2026-03")
    }
    assert of_month == {"2026-01": ["0"], "2026-02": ["1", "3"], "2026-03": ["2"]}


@pytest.mark.parametrize(
    "text", ["2026-13", "2026-00", "2026", "26-01", "2026-1", "../../x", "2026-01\n", "", "٢٠٢٦-٠١"]
)
def test_what_is_no_month_is_told(store: Path, tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="YYYY-MM"):
        write_month(store, text, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_december_ends_with_the_year() -> None:
    assert period("2025-12").stop.isoformat() == "2026-01-01T00:00:00+00:00"


@pytest.mark.parametrize("month", ["2025-07", MONTH])
def test_a_month_or_store_without_events_is_nothing_to_report(empty_store: Path, tmp_path: Path, month: str) -> None:
    with pytest.raises(StoreError, match=f"no events in {month}.*no events at all"):
        write_month(empty_store, month, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_month_without_events_says_where_there_are_some(store: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"no events in 2025-02.*2026-01-0\d to 2026-01-2\d"):
        write_month(store, "2025-02", tmp_path)


def test_a_folder_that_cannot_be_made_is_a_sentence(store: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(FleetbrakeError, match="cannot be written"):
        write_month(store, MONTH, tmp_path / "file" / "out")
