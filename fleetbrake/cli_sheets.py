"""Commands that print sheets, one page each: for the workshop, for a talk with a driver."""

from pathlib import Path
from typing import Annotated

import typer

from fleetbrake.cli_talk import OK, JsonOption, StoreOption, example, finish, results, sentences
from fleetbrake.core.errors import InputError
from fleetbrake.core.foreign_text import visible
from fleetbrake.reports.unit_system import System

_ENDING = ".pdf"

OutOption = Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="The file to write; replaced if there.")]
UnitsOption = Annotated[System, typer.Option("--units", help="Units to read in; us prints on US letter.")]


def add_commands(app: typer.Typer) -> None:
    """Register the commands."""
    app.command(epilog=example("fleetbrake vehicle-sheet --planned --store store --out workshop.pdf"))(vehicle_sheet)
    app.command(epilog=example("fleetbrake driver-sheet driver-ABCDEFGHIJ --store store --out talk.pdf"))(driver_sheet)


def vehicle_sheet(
    store: StoreOption,
    out: OutOption,
    vehicles: Annotated[list[str] | None, typer.Argument(metavar="VEHICLE", help="Ids of vehicles.")] = None,
    planned: Annotated[bool, typer.Option("--planned", help="All vehicles of the current plan, in its order.")] = False,
    units: UnitsOption = System.METRIC,
    as_json: JsonOption = False,
) -> None:
    """Print one page a vehicle for the workshop: what to look at, what it rests on, room for what was found."""
    with sentences(as_json):
        _check(out)
        ids = _vehicles(store, vehicles or [], planned)
        from fleetbrake.reports.measures import Measures  # tables and the typesetter take a while to load
        from fleetbrake.reports.sheets.vehicle_sheet import vehicle_sheets

        _write(out, vehicle_sheets(store, ids, Measures(units)))
    _told(out, len(ids), {"command": "vehicle-sheet", "vehicles": ids}, as_json)


def driver_sheet(
    store: StoreOption,
    out: OutOption,
    drivers: Annotated[list[str], typer.Argument(metavar="DRIVER", help="Ids or aliases of scored drivers.")],
    names: Annotated[
        bool, typer.Option("--with-driver-names", help="For the safety manager: ids on the sheets, not aliases.")
    ] = False,
    units: UnitsOption = System.METRIC,
    as_json: JsonOption = False,
) -> None:
    """Print one page a driver for a talk. Drivers stand on it under their aliases unless you ask for names."""
    with sentences(as_json):
        _check(out)
        from fleetbrake.reports.measures import Measures  # tables and the typesetter take a while to load
        from fleetbrake.reports.sheets.driver_sheet import driver_sheets, talks_with

        talks = talks_with(store, drivers, names=names)
        _write(out, driver_sheets(talks, Measures(units)))
    shown = [str(talk.row["driver_id"]) for talk in talks]
    _told(out, len(talks), {"command": "driver-sheet", "drivers": shown}, as_json)


def _vehicles(store: Path, named: list[str], planned: bool) -> list[str]:
    """The vehicles asked for; InputError where that is neither some ids nor the plan, or nothing is planned."""
    from fleetbrake.reports.plan_data import plan_told
    from fleetbrake.reports.sheets.vehicle_sheet import known_vehicles, planned_vehicles

    if planned == bool(named):
        raise InputError("Name the vehicles, or ask for all --planned ones: one of the two.")
    if named:
        return known_vehicles(store, named)
    ids = planned_vehicles(plan_told(store))
    if not ids:
        raise InputError("No visit is planned; run `fleetbrake plan` first.")
    return ids


def _check(out: Path) -> None:
    """InputError unless ``out`` can name a PDF: the ending keeps a slip of the pen off a store's own files."""
    if out.suffix.lower() != _ENDING:
        raise InputError(f"{out}: the name of this file must end in {_ENDING}.")
    if out.is_dir():
        raise InputError(f"{out}: this is a folder; name a file.")
    if not out.parent.is_dir():
        raise InputError(f"{out}: there is no folder {out.parent}.")


def _write(out: Path, made: bytes) -> None:
    from fleetbrake.store.files import write_atomically

    def put(part: Path) -> None:
        part.write_bytes(made)

    write_atomically(out, put)


def _told(out: Path, pages: int, facts: dict[str, object], as_json: bool) -> None:
    results.print(visible(str(out)), markup=False)
    finish(as_json, {**facts, "file": str(out), "pages": pages}, OK)
