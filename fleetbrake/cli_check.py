"""The command check: a store verified, and repaired where that is asked for."""

from typing import TYPE_CHECKING, Annotated

import typer

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

if TYPE_CHECKING:
    from fleetbrake.upkeep.check import Checked, Outcome


def add_check_command(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=example("fleetbrake check --store store --repair"))(check)


def check(
    store: StoreOption,
    repair: Annotated[
        bool, typer.Option("--repair", help="Make again what can be made again; what is damaged is put aside.")
    ] = False,
    recordings: Annotated[
        bool, typer.Option("--recordings", help="Read every byte of the recordings that were read in, too.")
    ] = False,
    lost_for_good: Annotated[
        str | None,
        typer.Option(
            help="Go on without what is lost and in no copy: forgotten, holds, rules, dropped, aliases, registers, "
            "entries, recordings, runs or scores. What that means is told."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Verify a store: every row of it against the log, against its rules and against a recount.

    Exit status: 0 nothing is wrong; 1 something is, or was and is repaired; 2 it could not be verified.
    """
    from fleetbrake.upkeep.check import check_store

    with sentences(as_json):
        done = check_store(store, recordings=recordings, repair=repair, lost_for_good=lost_for_good)
    _print(done)
    told_list("Repaired:", done.mended)
    told_list("Not repaired:", done.not_mended)
    if done.after is not None:
        results.print("\nAfter the repair:", markup=False)
        _print(done.after)
    last = done.after or done
    if last.sound:
        results.print("The store is whole. That is about files and tables: it says nothing about any brake.")
    elif not repair:
        results.print("Something is wrong. `fleetbrake check --repair` makes again what can be made again.")
    finish(as_json, {"command": "check", **done.facts()}, OK if done.sound else SOME_REJECTED)


def _print(done: "Checked") -> None:
    for one in done.outcomes:
        results.print(f"{one.name:<10}  {_state(one)}", markup=False, soft_wrap=True)
        told_list(f"Wrong ({one.name}):", one.wrong.all())
        told_list(f"Please note ({one.name}):", one.notes.all())


def _state(one: "Outcome") -> str:
    if one.left_out:
        return visible(f"not looked at: {one.left_out}")
    seen = f" ({one.looked_at})" if one.looked_at else ""
    return f"{one.wrong.count} wrong{seen}" if one.wrong.count else f"in order{seen}"
