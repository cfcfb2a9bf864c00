"""The SQL files of publishing: one model each, run by name on a connection."""

from functools import cache
from importlib.resources import files

import duckdb


@cache
def sql_of(name: str) -> str:
    """The text of a model."""
    return (files("fleetbrake.store") / "sql" / f"{name}.sql").read_text(encoding="utf-8")


def all_models() -> dict[str, str]:
    """Every model's text by name, in order of name."""
    names = sorted(one.name for one in (files("fleetbrake.store") / "sql").iterdir() if one.name.endswith(".sql"))
    return {name: sql_of(name.removesuffix(".sql")) for name in names}


def make(con: duckdb.DuckDBPyConnection, name: str, *, of: str | None = None, where: str = "true") -> None:
    """Make the temporary table ``name`` of a model of that name (or of the model ``of``), with the rows asked for."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM ({sql_of(of or name)}) WHERE {where}")  # noqa: S608 - own names


def number(con: duckdb.DuckDBPyConnection, sql: str) -> int:
    """The one number that a query gives."""
    return int(con.execute(sql).fetchall()[0][0])
