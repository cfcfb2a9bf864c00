"""Scores are in no other place than the published file: one that is gone, or an older copy, lacks days of them."""

from pathlib import Path

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.remembered import no_copy, remembered


def scored_to(con: duckdb.DuckDBPyConnection, within: str = "") -> str:
    """The newest day scored, as ISO writes it; empty without any. ``within``: prefix of the tables' names."""
    day = con.execute(f"SELECT max(as_of) FROM {within}vehicle_health").fetchall()[0][0]  # noqa: S608 - own names
    return "" if day is None else str(day)


def lost_scores(store: Path, there: str) -> str | None:
    """A sentence where later days were scored than are published now (``there``); None where they are all there."""
    noted = remembered(store).scored_to
    if there >= noted:  # ISO days: in order as text
        return None
    what = f"the last day in it is {there}" if there else "nothing of it is there"
    return (
        f"Scores up to {noted} were published, and {what}: fleet.duckdb is gone or an older copy, and what it held of "
        "scores, plans and predictions is in no other place. Put the newest fleet.duckdb back from a copy of the "
        f"store. {no_copy('scores')}"
    )


def refuse_lost_scores(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """StoreError where what is published now lacks them."""
    told = lost_scores(store, scored_to(con))
    if told is not None:
        raise StoreError(told)
