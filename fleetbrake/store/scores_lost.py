"""Scores are in no other place than the published file: one that is gone, or an older copy, lacks some of them."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.remembered import no_copy, remembered
from fleetbrake.store.schema import SETTINGS, setting_number

#: Setting of the published file: how often scores or plans were published.
SCORINGS: Final = "scorings"


@dataclass(frozen=True)
class Scored:
    """The newest day scored, as ISO writes it, empty without any; and how often scores or plans were published."""

    to: str = ""
    times: int = 0

    def lacks(self, noted: "Scored") -> bool:
        """Whether what was noted is not all there; nothing is lacked where no day is noted: they were given up.

        ISO days are in order as text.
        """
        return self.to < noted.to or (bool(noted.to) and self.times < noted.times)


def scored(con: duckdb.DuckDBPyConnection, within: str = "") -> Scored:
    """What a published file says of its scores. ``within``: prefix of the tables' names."""
    day = con.execute(f"SELECT max(as_of) FROM {within}vehicle_health").fetchall()[0][0]  # noqa: S608 - own names
    told = con.execute(f"SELECT name, value FROM {within}{SETTINGS} WHERE name = '{SCORINGS}'").fetchall()  # noqa: S608 - own names
    return Scored("" if day is None else str(day), setting_number(dict(told), SCORINGS))


def noted_scores(store: Path) -> Scored:
    """What the note says of them. StoreError where it is damaged."""
    known = remembered(store)
    return Scored(known.scored_to, known.scorings)


def lost_scores(store: Path, there: Scored) -> str | None:
    """A sentence where later days were scored, or more often, than is published now (``there``); None where it is all
    there."""
    noted = noted_scores(store)
    if not there.lacks(noted):
        return None
    if there.to < noted.to:
        what = f"the last day in it is {there.to}" if there.to else "nothing of it is there"
    else:
        what = f"it is of the publishing number {there.times}, where {noted.times} was the last"
    return (
        f"Scores up to {noted.to} were published, and {what}: fleet.duckdb is gone or an "
        "older copy, and what it held of scores, plans and predictions is in no other place. Put the newest "
        f"fleet.duckdb back from a copy of the store. {no_copy('scores')}"
    )


def refuse_lost_scores(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """StoreError where what is published now lacks them."""
    told = lost_scores(store, scored(con))
    if told is not None:
        raise StoreError(told)
