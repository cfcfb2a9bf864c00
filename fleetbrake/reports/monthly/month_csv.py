"""The month's tables as CSV and as Parquet: the same rows in both, SI as the published edges bind them.

CSV: UTF-8 without a mark at its beginning, since programs that read tables take the mark for a part of the first
column's name, and who opens a spreadsheet has the workbook; lines end with CR LF and texts stand in quotes, doubled
inside (RFC 4180, from memory); numbers bare with as many digits as give the same number back; ``true`` and ``false``;
times in UTC as ISO 8601 has them. NULL is nothing at all between two commas, an empty text is ``""``. A text that
begins like a formula is protected by the rule of :mod:`fleetbrake.core.spreadsheet`, which also undoes it.

Parquet: meaning and unit in each field's metadata. Both have no time of writing: the same store gives the same bytes.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from fleetbrake.core.spreadsheet import BEGINNING
from fleetbrake.reports.monthly.column_units import COLUMNS, si_unit
from fleetbrake.reports.printed import MARK

_OPTIONS: Final = pa_csv.WriteOptions(eol="\r\n")
#: Rows of one group of a Parquet file: fixed, so that the bytes do not depend on how the rows were read.
_ROW_GROUP: Final = 100_000


def write_tables(folder: Path, tables: Mapping[str, pa.Table]) -> list[str]:
    """Write ``csv/TABLE.csv`` and ``parquet/TABLE.parquet`` of every table; their names relative to ``folder``.

    Raises
    ------
    OSError
        If the folder cannot be written into.
    """
    for kind in ("csv", "parquet"):
        (folder / kind).mkdir(parents=True, exist_ok=True)
    names = []
    for name, table in tables.items():
        whole = finite(table)
        pa_csv.write_csv(for_spreadsheets(whole), folder / "csv" / f"{name}.csv", _OPTIONS)
        pq.write_table(explained(name, whole), folder / "parquet" / f"{name}.parquet", row_group_size=_ROW_GROUP)
        names += [f"csv/{name}.csv", f"parquet/{name}.parquet"]
    return names


def finite(table: pa.Table) -> pa.Table:
    """The table in one piece, with NULL for every figure that is no number: it could not be observed."""
    for place, field in enumerate(table.schema):
        if pa.types.is_floating(field.type):
            column = table.column(place)
            known = pc.if_else(pc.is_finite(column), column, pa.scalar(None, field.type))
            table = table.set_column(place, field, known)
    return table.combine_chunks()


def for_spreadsheets(table: pa.Table) -> pa.Table:
    """The table as CSV has it: an apostrophe before every text that begins like a formula, times as text."""
    for place, field in enumerate(table.schema):
        column = table.column(place)
        if pa.types.is_timestamp(field.type):
            table = table.set_column(place, field.name, pc.strftime(column, format="%Y-%m-%dT%H:%M:%SZ"))
        elif pa.types.is_string(field.type):
            table = table.set_column(place, field.name, _protected(column))
    return table


def _protected(texts: pa.ChunkedArray) -> pa.ChunkedArray:
    """As :func:`fleetbrake.core.spreadsheet.protected`, a column at a time. A file with a zero byte is no text to
    the programs that read tables."""
    marked = pc.binary_join_element_wise("'", texts, "")
    safe = pc.if_else(pc.match_substring_regex(texts, rf"\A(?:{BEGINNING})"), marked, texts)
    return pc.replace_substring(safe, "\0", MARK)


def explained(name: str, table: pa.Table) -> pa.Table:
    """The table with every column's meaning, and its unit where it has one, in its schema."""
    columns = {c.name: c for c in COLUMNS[name]}
    fields = []
    for field in table.schema:
        column = columns[field.name]
        unit = si_unit(name, column)
        told = {"meaning": column.meaning} | ({"unit": unit} if unit else {})
        fields.append(field.with_metadata(told))
    return table.replace_schema_metadata(None).cast(pa.schema(fields))
