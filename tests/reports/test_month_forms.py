"""The month in all its forms, read back by other programs' libraries: the same figures everywhere, cell by cell.

XLSX by openpyxl, CSV by Python's csv, pandas and pyarrow, Parquet by pyarrow and DuckDB; all held against what was read
from the store, and totals against plain SQL on it.
"""

import csv
import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import duckdb
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from builders import MONTH, PLAIN, build_store

from fleetbrake.core.event_tables import TS, B, D, F, I
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.spreadsheet import unprotected
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.measures import METRIC
from fleetbrake.reports.monthly.column_units import heading
from fleetbrake.reports.monthly.month_csv import finite, write_tables
from fleetbrake.reports.monthly.month_told import MonthTold, month_told
from fleetbrake.reports.monthly.month_xlsx import write_workbook
from fleetbrake.store.database import rebuilding

COLUMNS: Final = {**REPORT_TABLES, **TABLES}
#: Ids that a reader takes for something else: missing, a number, a truth value, several cells or lines, a formula.
AWKWARD_IDS: Final = (
    "NA", "null", "1e5", "0012", "TRUE", " in front", "behind ", 'a,b;c "d"', "two\r\nlines", "=1+1", "'=1+1",
    "\u05e2\u05d2\u05dc\u05d4 \u202eabc",
)  # fmt: skip
#: The same, and what only free text has: nothing at all, control characters, an escape of workbooks, more than a cell.
AWKWARD_TEXTS: Final = (
    *AWKWARD_IDS, "", "nan", "None", "-2+3", "@x", "+1", "\tx", "\rx", "\nx", "'", "''=1", "tab\tin",
    "bell\x07 zero\0 end", "_x0041_", "x" * 40_000, "\U0001f600" * 20_000, "2026-01-05", "#N/A", "\\N", "1,5",
    "\ufeffmark", "[]",
)  # fmt: skip
#: Times in a workbook are days and parts of days; its format shows thousandths of a second, and so does openpyxl.
SHOWN: Final = timedelta(milliseconds=1)


class Forms:
    """One month written down, with its files read back."""

    def __init__(self, store: Path, folder: Path, told: MonthTold) -> None:
        self.store, self.folder, self.told = store, folder, told
        write_workbook(folder / "book.xlsx", told)
        self.names = write_tables(folder, told.tables)
        book = openpyxl.load_workbook(folder / "book.xlsx", read_only=True)
        self.sheets = {name: list(book[name].iter_rows(values_only=True)) for name in told.tables}

    def csv(self, name: str) -> Path:
        return self.folder / "csv" / f"{name}.csv"

    def parquet(self, name: str) -> Path:
        return self.folder / "parquet" / f"{name}.parquet"


@pytest.fixture(scope="module")
def plain(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Forms:
    return Forms(store, tmp_path_factory.mktemp("plain_forms"), month_told(store, MONTH))


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> Forms:
    """A store in which vehicles, depots and every free text are :data:`AWKWARD_TEXTS`; drivers are named."""
    store = build_store(tmp_path_factory.mktemp("awkward"))
    renamed = dict(zip(PLAIN.vehicles, AWKWARD_IDS, strict=True))
    with rebuilding(store) as con:
        con.register("renamed", pd.DataFrame({"old": list(renamed), "new": list(renamed.values())}))
        con.register("texts", pd.DataFrame({"place": range(len(AWKWARD_TEXTS)), "text": AWKWARD_TEXTS}))
        for (table,) in con.execute(
            "SELECT table_name FROM duckdb_columns() WHERE column_name = 'vehicle_id' AND NOT internal "
            "AND table_name IN (SELECT table_name FROM duckdb_tables())"
        ).fetchall():
            con.execute(f'UPDATE "{table}" SET vehicle_id = new FROM renamed WHERE vehicle_id = old')
        for column in ("notes", "not_braking"):
            con.execute(
                f"UPDATE events SET {column} = text FROM texts "
                "WHERE place = (hash(event_id) % (SELECT count(*) FROM texts))::BIGINT"
            )
        con.execute("UPDATE events SET notes = NULL WHERE hash(event_id) % 7 = 0")
        con.execute("UPDATE vehicle_health SET open_report = vehicle_id, depot = vehicle_id WHERE rank > 2")
        # what a table may hold by mistake: no figure
        con.execute("UPDATE vehicle_health SET km_since_roller_test = 'nan'::DOUBLE WHERE rank = 3")
        con.execute("UPDATE vehicle_health SET km_since_roller_test = 'inf'::DOUBLE WHERE rank = 4")
    told = month_told(store, MONTH, safety_role=True)
    return Forms(store, tmp_path_factory.mktemp("awkward_forms"), told)


@pytest.fixture(params=["plain", "awkward"])
def forms(request: pytest.FixtureRequest) -> Forms:
    found: Forms = request.getfixturevalue(request.param)
    return found


def _rows(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    """Rows as Python has them; times in UTC."""
    columns = [table[name].to_pylist() for name in table.column_names]
    return zip(*columns, strict=True) if columns else iter(())


def _plain_times(rows: Iterator[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    return [tuple(v.astimezone(UTC) if isinstance(v, datetime) else v for v in row) for row in rows]


def test_parquet_by_pyarrow_and_duckdb_is_what_the_store_holds(forms: Forms) -> None:
    for name, table in forms.told.tables.items():
        expected = finite(table)
        read = pq.read_table(forms.parquet(name))
        assert read.equals(expected), name
        for column, field in zip(COLUMNS[name], read.schema, strict=True):
            assert field.metadata[b"meaning"].decode() == column.meaning
        by_duckdb = duckdb.sql("SELECT * FROM read_parquet(?)", params=[str(forms.parquet(name))]).to_arrow_table()
        assert by_duckdb.column_names == expected.column_names
        assert _plain_times(_rows(by_duckdb)) == _plain_times(_rows(expected)), name


def test_units_stand_in_the_parquet_files(plain: Forms) -> None:
    schema = pq.read_schema(plain.parquet("events"))
    units = {f.name: (f.metadata or {}).get(b"unit", b"").decode() for f in schema}
    assert units["peak_decel_mps2"] == "m/s²" and units["brake_energy_kj"] == "kJ" and units["started_at"] == "UTC"
    assert units["hard_stop"] == units["vehicle_id"] == units["modulation_cycles"] == ""


def _from_text(cell: str, kind: str) -> Any:
    """A cell of CSV as a value; NULL and an empty text are the same to Python's csv."""
    if not cell:
        return None
    if kind == B:
        return {"true": True, "false": False}[cell]
    if kind in (I, F):
        return int(cell) if kind == I else float(cell)
    if kind in (TS, D):
        return datetime.fromisoformat(cell) if kind == TS else date.fromisoformat(cell)
    return unprotected(cell)


def test_csv_by_python_is_what_the_store_holds(forms: Forms) -> None:
    cells = 0
    for name, table in forms.told.tables.items():
        with forms.csv(name).open(newline="", encoding="utf-8") as file:
            head, *rows = list(csv.reader(file))
        assert head == table.column_names
        kinds = [column.type for column in COLUMNS[name]]
        read = [tuple(_from_text(c, k) for c, k in zip(row, kinds, strict=True)) for row in rows]
        expected = [
            tuple((v.replace("\0", "\ufffd") or None) if isinstance(v, str) else v for v in row)
            for row in _plain_times(_rows(finite(table)))
        ]
        assert read == expected, name
        cells += len(rows) * len(kinds)
    assert cells > 10_000


def test_csv_by_pandas_is_what_python_reads(forms: Forms) -> None:
    """As text every cell is the same; read by type, numbers are the very doubles of the store."""
    for name, table in forms.told.tables.items():
        with forms.csv(name).open(newline="", encoding="utf-8") as file:
            rows = list(csv.reader(file))[1:]
        texts = pd.read_csv(forms.csv(name), dtype=str, keep_default_na=False)
        assert [list(row) for row in texts.itertuples(index=False)] == rows, name
        numbers = [c.name for c in COLUMNS[name] if c.type == F]
        typed = pd.read_csv(forms.csv(name), usecols=numbers)
        for column in numbers:
            expected = finite(table)[column].to_pandas().astype(float)
            pd.testing.assert_series_equal(typed[column].astype(float), expected, check_exact=True, check_names=False)


def test_csv_tells_nothing_from_an_empty_text(awkward: Forms) -> None:
    """By pyarrow, which looks at the quotes: NULL is nothing, an empty text two of them."""
    options = pa_csv.ConvertOptions(
        include_columns=["notes"], column_types={"notes": pa.string()}, null_values=[""], strings_can_be_null=True,
        quoted_strings_can_be_null=False,
    )  # fmt: skip
    parse = pa_csv.ParseOptions(newlines_in_values=True)
    read = pa_csv.read_csv(awkward.csv("events"), convert_options=options, parse_options=parse)["notes"].to_pylist()
    expected = awkward.told.tables["events"]["notes"].to_pylist()
    assert [v is None for v in read] == [v is None for v in expected]
    assert [v == "" for v in read] == [v == "" for v in expected]
    assert None in read and "" in read


def test_csv_is_as_the_standard_has_it(awkward: Forms) -> None:
    """UTF-8 without a mark, CR LF behind every row; no cell begins like a formula unless it is a number."""
    for name, table in awkward.told.tables.items():
        raw = awkward.csv(name).read_bytes()
        assert not raw.startswith(b"\xef\xbb\xbf") and raw.endswith(b"\r\n") and b"\0" not in raw
        with awkward.csv(name).open(newline="", encoding="utf-8") as file:
            rows = list(csv.reader(file))
        kinds = [column.type for column in COLUMNS[name]]
        assert len(rows) == table.num_rows + 1
        for row in rows[1:]:
            texts = [cell for cell, kind in zip(row, kinds, strict=True) if kind not in (I, F)]
            assert not [cell for cell in texts if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))]


def _in_a_cell(value: Any) -> Any:
    """What a cell of the workbook must show of a value, worked out here once more."""
    if isinstance(value, str):
        text = "".join("\ufffd" if ord(c) < 32 and c not in "\t\n\r" else c for c in value)
        units = text.encode("utf-16-le")
        if len(units) > 2 * 32_767:
            text = units[: 2 * 32_766].decode("utf-16-le", "ignore") + "…"
        return text
    return value


def _same(cell: Any, value: Any) -> bool:
    if isinstance(value, datetime):
        return isinstance(cell, datetime) and abs(cell.replace(tzinfo=UTC) - value) <= SHOWN
    if isinstance(value, date):
        return isinstance(cell, datetime) and cell == datetime(value.year, value.month, value.day)
    if isinstance(cell, str):
        return bool(cell.replace("_x000D_", "\r") == value)  # openpyxl leaves that escape as it is
    if isinstance(value, bool) or isinstance(cell, bool):
        return cell is value
    return bool(cell == value)


def test_the_workbook_by_openpyxl_is_what_the_store_holds(forms: Forms) -> None:
    for name, table in forms.told.tables.items():
        if name == "to_inspect":  # in words, see below
            continue
        head, *rows = forms.sheets[name]
        assert list(head) == [heading(name, column, METRIC) for column in COLUMNS[name]]
        expected = [tuple(map(_in_a_cell, row)) for row in _plain_times(_rows(finite(table)))]
        assert len(rows) == len(expected), name
        for row, wanted in zip(rows, expected, strict=True):
            wrong = [(c, v) for c, v in zip(row, wanted, strict=True) if not _same(c, v)]
            assert not wrong, (name, wrong)


def test_the_list_of_vehicles_in_words_has_the_figures_of_its_table(forms: Forms) -> None:
    head, *rows = forms.sheets["to_inspect"]
    named = {"rank": "rank", "vehicle": "vehicle_id", "depot": "depot", "what to look at": "reason",
             "wheel": "suspect_wheel", "open report": "open_report", "score": "health_score", "from": "score_low",
             "to": "score_high", "due on": "inspection_due_on", "past its date": "overdue",
             "planned on": "planned_on", "events": "events_used"}  # fmt: skip
    table = finite(forms.told.tables["to_inspect"])
    assert len(rows) == table.num_rows > 0
    for name, column in named.items():
        cells = [row[list(head).index(name)] for row in rows]
        wanted = [_in_a_cell(value) for value in table[column].to_pylist()]
        wrong = [(c, v) for c, v in zip(cells, wanted, strict=True) if not _same(c, v)]
        assert not wrong, (name, wrong)


def test_the_same_month_gives_the_same_bytes(awkward: Forms, tmp_path: Path) -> None:
    again = month_told(awkward.store, MONTH, safety_role=True)
    write_workbook(tmp_path / "book.xlsx", again)
    names = write_tables(tmp_path, again.tables)
    assert names == awkward.names
    for name in ("book.xlsx", *names):
        assert (tmp_path / name).read_bytes() == (awkward.folder / name).read_bytes(), name


def test_parquet_does_not_depend_on_how_the_rows_came(plain: Forms, tmp_path: Path) -> None:
    """The same rows in many pieces, as another number of threads would read them, give the same bytes."""
    events = plain.told.tables["events"]
    pieces = pa.concat_tables([events.slice(at, 13) for at in range(0, events.num_rows, 13)])
    assert pieces["event_id"].num_chunks > 1
    write_tables(tmp_path, {"events": pieces})
    for kind in ("csv", "parquet"):
        written = tmp_path / kind / f"events.{kind}"
        assert written.read_bytes() == (plain.folder / kind / f"events.{kind}").read_bytes()


def test_totals_are_those_of_plain_sql_on_the_store(forms: Forms) -> None:
    """The month in UTC by another way of saying it: the first seven letters of the time."""
    with duckdb.connect(str(forms.store / "fleet.duckdb"), read_only=True) as con:
        con.execute("SET TimeZone = 'UTC'")
        counts = con.execute(
            "SELECT count(*), count(*) FILTER (hard_stop), count(*) FILTER (modulation), "
            "count(*) FILTER (lockup_above_cutoff), count(*) FILTER (lockup_above_cutoff IS NULL), "
            "count(DISTINCT vehicle_id) FROM events WHERE left(CAST(started_at AS VARCHAR), 7) = ?",
            [MONTH],
        ).fetchone()
        wheels = con.execute(
            "SELECT count(*) FROM event_wheels JOIN events USING (event_id) "
            "WHERE left(CAST(started_at AS VARCHAR), 7) = ?",
            [MONTH],
        ).fetchone()
    head, *rows = forms.sheets["events"]
    place = {str(title).partition(" (")[0]: n for n, title in enumerate(head)}

    def trues(column: str) -> int:
        return sum(row[place[column]] is True for row in rows)

    open_ones = sum(row[place["lockup_above_cutoff"]] is None for row in rows)
    vehicles = len({row[place["vehicle_id"]] for row in rows})
    told = (trues("hard_stop"), trues("modulation"), trues("lockup_above_cutoff"), open_ones, vehicles)
    assert counts == (len(rows), *told)
    assert wheels == (len(forms.sheets["event_wheels"]) - 1,)
    by_measure = {row[1]: row[5:6] for row in forms.sheets["fleet_months"][1:] if row[0] == MONTH}
    assert {k: v[0] for k, v in by_measure.items()} == {
        "hard_stops": told[0], "modulation": told[1], "lockups_above_cutoff": told[2],
    }  # fmt: skip


def test_lists_of_ids_in_texts_stay_lists(awkward: Forms) -> None:
    """JSON inside a cell is read by its own reader from every form."""
    with awkward.csv("indicators").open(newline="", encoding="utf-8") as file:
        listed = [json.loads(unprotected(row["evidence"])) for row in csv.DictReader(file)]
    at = awkward.told.tables["indicators"].column_names.index("evidence")
    assert listed == [json.loads(row[at]) for row in awkward.sheets["indicators"][1:]]
