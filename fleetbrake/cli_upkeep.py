"""Commands that keep a store within its rules."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleetbrake.cli_check import add_check_command
from fleetbrake.cli_holds import add_hold_commands
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
from fleetbrake.core.foreign_text import MOST_ID, shortened, visible

if TYPE_CHECKING:
    from fleetbrake.store.forgetting.search import Remains
    from fleetbrake.upkeep import Forgotten


def add_commands(app: typer.Typer) -> None:
    """Register the commands."""
    add_hold_commands(app)
    add_check_command(app)
    app.command("forget-driver", epilog=example("fleetbrake forget-driver DRV-017 --store store"))(forget_driver)


def forget_driver(
    driver: Annotated[str, typer.Argument(metavar="DRIVER", help="The driver's id, written as in the recordings.")],
    store: StoreOption,
    alike_too: Annotated[
        bool, typer.Option("--alike-too", help="Ids of the store that are written almost alike are this driver's too.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Erase a driver's id for good, in all that the store keeps and in all that it reads later; totals stay."""
    from fleetbrake import upkeep

    with sentences(as_json):
        if not yes:
            _ask(driver, store, as_json)
        done = upkeep.forget_driver(store, driver, alike_too=alike_too)
    for place, count in sorted(done.erased.changed.items()):
        results.print(f"{count:>8}  {place}", markup=False)
    told_list("Please note:", _notes(done))
    told_list("Kept by legal holds until they are released, and shown nowhere:", _held(done))
    told_list("Names of vehicles, depots and words of our own, not the person; they stay:", _listed(done.of_others))
    told_list("The id is still in the store:", _listed(done.remains))
    told_list("Its letters still stand within longer words, which may be it; look there:", _listed(done.perhaps))
    told_list("Not reached:", [*done.erased.not_reached, *(f"{one}: cannot be read" for one in done.unread)])
    if done.complete:
        results.print(f"Forgotten: {done.files} files and folders searched, {_left(done)}.")
    finish(as_json, {"command": "forget-driver", **done.facts()}, OK if done.complete else SOME_REJECTED)


def _ask(driver: str, store: Path, as_json: bool) -> None:
    if as_json or not sys.stdin.isatty():
        raise InputError("This cannot be undone: say --yes.")
    whom, where = visible(shortened(driver, MOST_ID)), visible(str(store))
    typer.confirm(f"Erase driver {whom} in {where}? This cannot be undone.", abort=True, err=True)


def _left(done: "Forgotten") -> str:
    """What the search says, in the words that are true of it."""
    where = "" if done.anywhere else " in columns of drivers or after the word driver"
    kept = ["what is held"] if done.held else []
    kept += ["what is the name of something else"] if done.of_others else []
    return f"nothing of the id is left{where}{' but for ' + ' and '.join(kept) if kept else ''}"


def _listed(places: "tuple[Remains, ...]") -> list[str]:
    return [f"{one.file}: {one.part}" for one in places]


def _notes(done: "Forgotten") -> list[str]:
    told = []
    if not done.known:
        told.append("Nothing in the store named this id. It is kept as forgotten: files read later are not to name it.")
    if not done.anywhere:
        told.append(
            "The id is so short or common a word that in texts it is taken out after the word driver only; columns of "
            "drivers, folders named driver_id=... and what this driver's own events, trips and files are called are "
            "free of it."
        )
    told += [f"Driver {one} is written almost alike, or holds the id, and is forgotten too." for one in done.alike]
    told += [
        f"The id is part of the name of vehicle {one}, which stays: the workshop must find it." for one in done.vehicles
    ]
    told.append("Recordings, registers and reports outside the store are as they were.")
    return told


def _held(done: "Forgotten") -> list[str]:
    rows = [f"{hold_id}: {count} rows" for hold_id, count in sorted(done.erased.held.items())]
    told = [*done.held, *rows, *_listed(done.held_places)]
    return [*told, "It goes when these holds are released: see fleetbrake release-hold."] if told else []
