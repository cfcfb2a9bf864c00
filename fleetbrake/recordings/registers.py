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
from fleetbrake.recordings.register_rows import MODELS, RegisterRow

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


def read_registers(folder: Path) -> tuple[dict[str, pa.Table], list[str]]:
    """All registers found in a folder: tables with exactly the columns and types of ``REGISTERS``, and problems.

    ``<name>.parquet`` or ``<name>.csv`` for every register; a register that is not there is not in the result.
    Within a file a later row of the same key replaces an earlier one.
    """
    tables: dict[str, pa.Table] = {}
    problems: list[str] = []
    if not folder.is_dir():
        return {}, [f"{folder}: no such folder of registers"]
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
        problems.append(f"{folder}: no register found (vehicles.csv, drivers.csv, trips.csv ...)")
    return tables, problems


def read_register(name: str, path: Path) -> tuple[pa.Table | None, list[str]]:
    """One register file as a table of its good rows (None if it cannot be used at all) and its problems."""
    try:
        header, rows = _read_parquet(path) if path.suffix.lower() == ".parquet" else _read_csv(path)
    except (OSError, UnicodeDecodeError, csv.Error, pa.ArrowException) as error:
        return None, [f"{path.name}: cannot be read as {path.suffix[1:]} ({_short(error)})"]
    model = MODELS[name]
    missing = [column for column in _needed(model) if column not in header]
    if missing:
        found = ", ".join(header) or "nothing"
        return None, [f"{path.name}: column {', '.join(missing)} is missing; found {found}"]
    good, problems = _check_rows(model, rows, path.name)
    return _table(name, _last_of_each_key(name, good)), problems


def _check_rows(
    model: type[RegisterRow], rows: list[tuple[int, dict[str, Any]]], file: str
) -> tuple[list[Any], list[str]]:
    good: list[Any] = []
    problems: list[str] = []
    untold = 0
    for number, row in rows:
        try:
            good.append(model.model_validate(row))
        except ValidationError as error:
            told = [_problem(file, number, dict(item)) for item in error.errors()]
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
    return f"{file} row {number}: {column} = {str(item['input'])[:60]!r}: {reason}"


_REASONS = {
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "finite_number": "must be a number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_type": "must be a whole number",
    "bool_parsing": "must be true or false",
    "bool_type": "must be true or false",
}


def _needed(model: type[RegisterRow]) -> list[str]:
    return [name for name, field in model.model_fields.items() if field.is_required()]


def _read_csv(path: Path) -> tuple[list[str], list[tuple[int, dict[str, Any]]]]:
    """Header and rows; the header is row 1, as a spreadsheet counts. Comma or semicolon between cells."""
    text = path.read_bytes().decode("utf-8-sig")
    first = text.split("\n", 1)[0]
    mark = ";" if first.count(";") > first.count(",") else ","
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    header = [cell.strip() for cell in next(lines, [])]
    rows = []
    for number, cells in enumerate(lines, start=2):
        if any(cell.strip() for cell in cells):
            rows.append((number, {name: _cell(value) for name, value in zip(header, cells, strict=False)}))
    return header, rows


def _read_parquet(path: Path) -> tuple[list[str], list[tuple[int, dict[str, Any]]]]:
    """Columns and rows; rows count from 1."""
    table = pq.ParquetFile(path).read()
    rows = [{name: _cell(value) for name, value in row.items()} for row in table.to_pylist()]
    return table.column_names, list(enumerate(rows, start=1))


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


def _short(error: BaseException) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "it is not UTF-8 text"
    return (str(error).splitlines() or [""])[0][:120]
