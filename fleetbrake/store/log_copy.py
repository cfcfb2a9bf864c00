"""The copy of the log that publishing keeps in the published file: what stands in when the log itself is lost."""

from pathlib import Path
from typing import Final

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import in_schema
from fleetbrake.store.database import database_path, reading

#: Table of the published file; see ``publishing.state``.
FILES: Final = "publishing_files"


def published_log(store: Path, schema: pa.Schema) -> pa.Table:
    """The log as it was published last; empty where nothing was published, or where that is not known.

    StoreError if the published file cannot be read.
    """
    if not database_path(store).is_file():
        return schema.empty_table()
    try:
        with reading(store) as con:
            there = con.execute("SELECT 1 FROM duckdb_tables() WHERE table_name = ?", [FILES]).fetchall()
            if not there:
                return schema.empty_table()
            return in_schema(con.sql(f"SELECT * FROM {FILES} ORDER BY path").to_arrow_table(), schema, "published log")  # noqa: S608 - own name
    except StoreError as error:
        raise StoreError(f"The store's log of files is gone, and so is its copy: {error}") from error
