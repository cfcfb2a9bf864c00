"""Registers (vehicles, drivers, trips, inspections ...) from CSV or Parquet files, row by row checked.

A register is small (thousands of rows), so that each row may be an object here; nothing on the hot path comes by.
A bad row is told with its number, column and reason; the others are in.
"""

import csv
import io
import math
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import ValidationError

from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.recordings.paths import opened_parquet, text_path
from fleetbrake.recordings.register_rows import MODELS, RegisterRow
from fleetbrake.recordings.register_texts import with_short_notes, wrong_ids
from fleetbrake.recordings.story import printable

_ARROW: dict[str, pa.DataType] = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BOOLEAN": pa.bool_(),
    "DATE": pa.date32(),
    "TIMESTAMPTZ": pa.timestamp("us", tz="UTC"),
}

#: Problems told for one register; the rest is counted.
MOST_PROBLEMS = 50

#: What one register file may hold, since each row becomes an object (own choice: some 2 GB of memory; a year of trips
#: of a thousand vehicles). A larger one comes in parts, one run after the other: rows are merged by their key.
MOST_ROWS, MOST_BYTES = 2_000_000, 512 * 2**20


def read_registers(folder: Path) -> tuple[dict[str, pa.Table], list[str]]:
    """All registers found in a folder: tables with exactly the columns and types of ``REGISTERS``, and problems.

    ``<name>.parquet`` or ``<name>.csv`` for every register; a register that is not there is not in the result.
    Within a file a later row of the same key replaces an earlier one.
    """
    tables: dict[str, pa.Table] = {}
    problems: list[str] = []
    shown = printable(text_path(folder))
    if not _is_dir(folder):
        return {}, [f"{shown}: no such folder of registers"]
    for name in REGISTERS:
        paths = [path for path in (folder / f"{name}.parquet", folder / f"{name}.csv") if path.is_file()]
        if not paths:
            continue
        if len(paths) > 1:
            problems.append(f"{name}: both {paths[0].name} and {paths[1].name} are there; {paths[0].name} is used")
        table, told = read_register(name, paths[0])
        if table is not None:
            tables[name] = table
        problems += told
    if not tables and not problems:
        problems.append(f"{shown}: no register found (vehicles.csv, drivers.csv, trips.csv ...)")
    return tables, problems


def read_register(name: str, path: Path) -> tuple[pa.Table | None, list[str]]:
    """One register file as a table of its good rows (None if it cannot be used at all) and its problems."""
    model = MODELS[name]
    try:
        parquet = path.suffix.lower() == ".parquet"
        header, rows = _read_parquet(path, set(model.model_fields)) if parquet else read_cells(_content(path))
    except Exception as error:  # what a damaged file does to its reader is not foreseeable
        return None, [printable(f"{path.name}: cannot be read as {path.suffix[1:]} ({_short(error)})")]
    unusable = wrong_columns(name, header, path.name)
    if unusable:
        return None, [unusable]
    good, problems = check_rows(name, rows, path.name)
    return _table(name, _last_of_each_key(name, [row for _, row in good])), problems


def wrong_columns(name: str, header: list[str], file: str, *, spared: tuple[str, ...] = ()) -> str | None:
    """Why a file with this header cannot be the register ``name``; None if it can. ``spared`` may be missing."""
    model = MODELS[name]
    twice = [column for column in model.model_fields if header.count(column) > 1]
    if twice:
        return f"{file}: column {', '.join(twice)} is there more than once"
    missing = [column for column in _needed(model) if column not in (*header, *spared)]
    if missing:
        found = ", ".join(header)[:300] or "nothing"
        return printable(f"{file}: column {', '.join(missing)} is missing; found {found}")
    return None


def check_rows(name: str, rows: list[tuple[int, dict[str, Any]]], file: str) -> tuple[list[tuple[int, Any]], list[str]]:
    """The good rows of a register, each with its number, and what is wrong with the others."""
    model = MODELS[name]
    good: list[tuple[int, Any]] = []
    problems: list[str] = []
    untold = 0
    for number, cells in rows:
        row, told = with_short_notes(cells)
        told = [f"{file} row {number}: {one}" for one in told]
        wrong = [_value_problem(file, number, column, row[column], reason) for column, reason in wrong_ids(row)]
        try:
            checked = model.model_validate(row)
            good += [] if wrong else [(number, checked)]
        except ValidationError as error:
            wrong += [_problem(file, number, dict(item)) for item in error.errors()]
        told += wrong
        kept = told[: max(0, MOST_PROBLEMS - len(problems))]
        problems += kept
        untold += len(told) - len(kept)
    if untold:
        problems.append(f"{file}: and {untold} more problems")
    return good, problems


def _problem(file: str, number: int, item: dict[str, Any]) -> str:
    reason = str(item["ctx"]["error"]) if item["type"] == "value_error" else _REASONS.get(item["type"], item["msg"])
    if not item["loc"]:
        return f"{file} row {number}: {reason}"
    column = str(item["loc"][0])
    if item["input"] is None or item["type"] == "missing":
        return f"{file} row {number}: {column} is empty: must be given"
    return _value_problem(file, number, column, item["input"], reason)


def _value_problem(file: str, number: int, column: str, value: Any, reason: str) -> str:
    return f"{file} row {number}: {column} = {str(value)[:60]!r}: {reason}"


_REASONS = {
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "finite_number": "must be a number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_parsing_size": "must be a whole number of fewer digits",
    "int_type": "must be a whole number",
    "string_type": "must be text",
    "string_unicode": "must be text",
    "bool_parsing": "must be true or false",
    "bool_type": "must be true or false",
}


def _needed(model: type[RegisterRow]) -> list[str]:
    return [name for name, field in model.model_fields.items() if field.is_required()]


def read_cells(content: bytes) -> tuple[list[str], list[tuple[int, dict[str, Any]]]]:
    """Header and rows of a CSV file; the header is row 1, as a spreadsheet counts. Comma, semicolon or tab between.

    Raises ``UnicodeDecodeError`` for text that is not UTF-8 and ``csv.Error`` for a slip in its quotation marks.
    """
    text = io.StringIO(content.decode("utf-8-sig"), newline="")  # ids keep their line breaks as they are
    first = text.readline()
    text.seek(0)
    mark = max(",;\t", key=first.count)
    lines = csv.reader(text, delimiter=mark, strict=True)
    number = 1
    rows: list[tuple[int, dict[str, Any]]] = []
    try:
        header = [cell.strip() for cell in next(lines, [])]
        for number, cells in enumerate(lines, start=2):
            if len(rows) > MOST_ROWS:
                raise ValueError(_TOO_LARGE)
            if any(cell.strip() for cell in cells):
                rows.append((number, {name: _cell(value) for name, value in zip(header, cells, strict=False)}))
    except csv.Error as error:
        # the reader speaks of the end of the file, the slip is where the row begins
        raise csv.Error(f"after row {number}: {_CSV_SLIPS.get(str(error), str(error))}") from error
    return header, rows


_CSV_SLIPS = {
    "unexpected end of data": "a quotation mark is opened and not closed",
    "',' expected after '\"'": "text after a closing quotation mark",
    "';' expected after '\"'": "text after a closing quotation mark",
    "'\t' expected after '\"'": "text after a closing quotation mark",
}


class _Unreadable:
    """A cell whose value Python cannot hold, such as a time in the year 30000; no model takes it."""

    def __init__(self, shown: str) -> None:
        self._shown = shown

    def __str__(self) -> str:
        return self._shown


def _read_parquet(path: Path, known: set[str]) -> tuple[list[str], list[tuple[int, dict[str, Any]]]]:
    """Columns and rows, of the ``known`` columns only; rows count from 1."""
    with opened_parquet(path) as parquet:
        header = parquet.schema_arrow.names
        wanted = [name for name in header if name in known]
        if len(set(wanted)) != len(wanted):
            return header, []
        table = _bounded(parquet, wanted)
    columns = {name: _values(table.column(name)) for name in wanted}
    rows = [{name: _cell(columns[name][row]) for name in wanted} for row in range(table.num_rows)]
    return header, list(enumerate(rows, start=1))


def _bounded(parquet: pq.ParquetFile, wanted: list[str]) -> pa.Table:
    """The columns, decoded piece by piece: a small file may hold a thousand times its size."""
    batches, rows, size = [], 0, 0
    for batch in parquet.iter_batches(batch_size=65_536, columns=wanted, use_threads=False):
        batches.append(batch)
        rows, size = rows + batch.num_rows, size + batch.nbytes
        if rows > MOST_ROWS or size > MOST_BYTES:
            raise ValueError(_TOO_LARGE)
    schema = pa.schema([parquet.schema_arrow.field(name) for name in wanted])
    return pa.Table.from_batches(batches, schema=batches[0].schema if batches else schema)


def _content(path: Path) -> bytes:
    if path.stat().st_size > MOST_BYTES:
        raise ValueError(_TOO_LARGE)
    return path.read_bytes()


_TOO_LARGE = f"more than {MOST_ROWS:,} rows or {MOST_BYTES // 2**20} MiB: give it in parts"


def _values(column: pa.ChunkedArray) -> list[Any]:
    """Python values of a column; those that Python cannot hold are :class:`_Unreadable`."""
    kind = column.type
    if pa.types.is_timestamp(kind) and kind.tz is not None:
        column = column.cast(pa.timestamp(kind.unit, tz="UTC"))  # the same instants, whatever the zone's name
    try:
        values: list[Any] = column.to_pylist()
    except (ValueError, OverflowError, ArithmeticError):
        values = [_value(scalar) for scalar in column]
    return values


def _value(scalar: pa.Scalar) -> Any:
    try:
        return scalar.as_py()
    except (ValueError, OverflowError, ArithmeticError):
        return _Unreadable(f"{_ticks(scalar)} as {scalar.type}")


def _ticks(scalar: pa.Scalar) -> str:
    """The whole number behind a time that Python cannot hold."""
    for kind in (pa.int64(), pa.int32()):
        try:
            return str(scalar.cast(kind).as_py())
        except pa.ArrowException:
            continue
    return "a value"


def _cell(value: Any) -> Any:
    """An empty cell is None; text without blanks around it."""
    if isinstance(value, str):
        return value.strip() or None
    if isinstance(value, float) and math.isnan(value):
        return None
    return value


def _last_of_each_key(name: str, rows: list[Any]) -> list[Any]:
    keys = REGISTER_KEYS[name]
    return list({tuple(getattr(row, key) for key in keys): row for row in rows}.values())


def _table(name: str, rows: list[Any]) -> pa.Table:
    columns = REGISTERS[name]
    schema = pa.schema([(column, _ARROW[kind]) for column, kind in columns])
    return pa.table({column: [getattr(row, column) for row in rows] for column, _ in columns}, schema=schema)


def _is_dir(folder: Path) -> bool:
    try:
        return folder.is_dir()
    except OSError:  # a name that no folder can have
        return False


def _short(error: BaseException) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "it is not UTF-8 text: save it as UTF-8"
    return (str(error).splitlines() or [""])[0][:120] or type(error).__name__
