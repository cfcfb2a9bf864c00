"""Commands that keep a store within its rules."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleetbrake.cli_holds import add_hold_commands
from fleetbrake.cli_tables import visible
from fleetbrake.cli_talk import (
    OK,
    SOME_REJECTED,
    JsonOption,
    StoreOption,
    example,
    finish,
    results,
    sentences,
    told_list,
)
from fleetbrake.core.errors import InputError

if TYPE_CHECKING:
    from fleetbrake.upkeep import Forgotten


def add_commands(app: typer.Typer) -> None:
    """Register the commands."""
    add_hold_commands(app)
    app.command("forget-driver", epilog=example("fleetbrake forget-driver DRV-017 --store store"))(forget_driver)


def forget_driver(
    driver: Annotated[str, typer.Argument(metavar="DRIVER", help="The driver's id, written as in the recordings.")],
    store: StoreOption,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Erase a driver's id for good, in all that the store keeps and in all that it reads later; totals stay."""
    from fleetbrake import upkeep

    with sentences(as_json):
        if not yes:
            _ask(driver, store, as_json)
        done = upkeep.forget_driver(store, driver)
    for place, count in sorted(done.erased.changed.items()):
        results.print(f"{count:>8}  {place}", markup=False)
    told_list("Please note:", _notes(done))
    told_list("Kept by legal holds until they are released, and shown nowhere:", _held(done))
    told_list("The id is still in the store:", [f"{one.file}: {one.part}" for one in done.remains])
    told_list("Not reached:", [*done.erased.not_reached, *(f"{one}: cannot be read" for one in done.unread)])
    if done.complete:
        kept = " but for what is held" if done.held else ""
        results.print(f"Forgotten: {done.files} files and folders searched, nothing of the id is left{kept}.")
    finish(as_json, {"command": "forget-driver", **done.facts()}, OK if done.complete else SOME_REJECTED)


def _ask(driver: str, store: Path, as_json: bool) -> None:
    if as_json or not sys.stdin.isatty():
        raise InputError("This cannot be undone: say --yes.")
    typer.confirm(f"Erase driver {visible(driver)} in {store}? This cannot be undone.", abort=True, err=True)


def _notes(done: "Forgotten") -> list[str]:
    told = []
    if not done.known:
        told.append("Nothing in the store named this id. It is kept as forgotten: files read later are not to name it.")
    if not done.anywhere:
        told.append(
            "The id is so short or common a word that in texts it is taken out after the word driver only; columns of "
            "drivers and folders named driver_id=... are free of it."
        )
    told += [f"Driver {one} is written almost alike and stays: another id to the store." for one in done.alike]
    told += [
        f"The id is part of the name of vehicle {one}, which stays: the workshop must find it." for one in done.vehicles
    ]
    told.append("Recordings, registers and reports outside the store are as they were.")
    return told


def _held(done: "Forgotten") -> list[str]:
    rows = [f"{hold_id}: {count} rows" for hold_id, count in sorted(done.erased.held.items())]
    return [*done.held, *rows, *(f"{one.file}: {one.part}" for one in done.held_places)]
