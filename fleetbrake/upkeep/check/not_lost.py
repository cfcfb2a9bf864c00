"""What is published of registers and entries against the files that it came from: one that is gone is no empty one."""

from contextlib import suppress
from pathlib import Path

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered_lost import noted_entries_lost
from fleetbrake.store.lost import FROM_FILES, lost_entries, lost_registers, lost_sentence
from fleetbrake.store.recount import PUBLISHED
from fleetbrake.store.schema import SETTINGS
from fleetbrake.store.scores_lost import Scored, lost_scores
from fleetbrake.upkeep.check.outcome import Outcome


def check_nothing_lost(
    con: duckdb.DuckDBPyConnection, store: Path, whole: set[str], registers: Outcome, entries: Outcome
) -> None:
    """What was published of registers and entries is still there: a file that is gone is no empty one."""
    within = f"{PUBLISHED}.main."
    told = set(registers.wrong.all())  # by the note of what was there
    for name in lost_registers(con, store, within, [one for one in FROM_FILES if one in whole]):
        if lost_sentence(name) not in told:
            registers.wrong.add(lost_sentence(name))
    if SETTINGS not in whole or entries.wrong.count:  # what is wrong with them is told already
        return
    try:
        lost = lost_entries(con, store, within)
    except StoreError as error:
        lost = str(error)
    if lost is not None:
        entries.wrong.add(lost)


def check_entries_noted(store: Path, entries: Outcome) -> None:
    """What was entered is still there by the note alone, where nothing that was published can tell."""
    if entries.wrong.count:
        return
    try:
        lost = noted_entries_lost(store)
    except StoreError as error:
        lost = str(error)
    if lost is not None:
        entries.wrong.add(lost)


def check_scores(store: Path, there: Scored, database: Outcome) -> None:
    """What was scored is still published; ``there``: what is."""
    with suppress(StoreError):  # a note that is damaged is told by others
        lost = lost_scores(store, there)
        if lost is not None:
            database.wrong.add(lost)
