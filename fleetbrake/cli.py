"""The command: arguments, progress, exit status. The only place that prints.

Results go to standard output, talk to standard error. Exit status: 0 all done; 1 some input was rejected (what was
good is in);
2 nothing could be done; 130, 143: `ingest` was stopped by Ctrl+C or a request to end.
"""

import os
import shlex
import shutil
import signal
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from fleetbrake import __version__, cli_sheets, cli_upkeep
from fleetbrake.access.serving import DASHBOARD_HELP
from fleetbrake.cli_tables import print_plan, print_ranking
from fleetbrake.cli_talk import (
    NOTHING_DONE,
    OK,
    SOME_REJECTED,
    JsonOption,
    StoreOption,
    example,
    finish,
    print_json,
    progress_shown,
    results,
    sentences,
    stoppable,
    talk,
    told_list,
)
from fleetbrake.cli_usage import Commands
from fleetbrake.cli_watch import may_watch, watched
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.foreign_text import visible

app = typer.Typer(
    name="fleetbrake",
    cls=Commands,
    help="Which wheels locked, which brakes are failing, which vehicles to inspect first: from a fleet's recordings.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _top(version: Annotated[bool, typer.Option("--version", help="Print the version and leave.")] = False) -> None:
    if version:
        results.print(__version__)
        raise typer.Exit(OK)


@app.command(epilog=example("fleetbrake ingest recordings/ --store store --registers registers/"))
def ingest(
    store: StoreOption,
    events: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[EVENTS...]",
            help="Recordings: Parquet files, folders, addresses (s3://bucket/path); none for registers alone.",
        ),
    ] = None,
    registers: Annotated[
        Path | None, typer.Option("--registers", metavar="DIR", help="Folder with vehicles.csv, trips.csv ...")
    ] = None,
    mapping: Annotated[
        str | None,
        typer.Option("--mapping", metavar="FILE", help="TOML file for other names and units, or a shipped one: j1939."),
    ] = None,
    check_bytes: Annotated[
        bool,
        typer.Option("--check-bytes", help="Look at the bytes of every file, also where size and time are as before."),
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Let the workers of a Dask cluster read: tcp://host:8786 (needs the extra 'cluster').",
        ),
    ] = None,
    handover: Annotated[
        str | None,
        typer.Option(
            "--handover",
            metavar="ADDRESS",
            help="With --scheduler, where workers do not see the store's folder: the object store (s3://bucket/path, "
            "gs://...) or folder (file:///...) over which the rows come.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Read recordings or registers into the store and publish the events. Reading again changes nothing."""
    watched(lambda: store)
    from fleetbrake import pipeline
    from fleetbrake.cluster.machines import machines_named

    kept = "Recordings that were read are kept; the next run reads the rest and publishes."
    with stoppable(as_json, kept) as asked, sentences(as_json), progress_shown() as shown:

        def progress(stage: str, done: int, of: int) -> None:
            asked.check()
            shown(stage, done, of)

        done = pipeline.ingest(
            events or [],
            store,
            registers=registers,
            mapping=mapping,
            progress=progress,
            machines=machines_named(scheduler, handover),
            check_bytes=check_bytes,
        )
    told_list("Not taken in:", done.problems)
    told_list("Not in the register of vehicles (kept, thresholds unknown):", done.unknown_vehicles)
    told_list("Not in the register of drivers (kept):", done.unknown_drivers)
    told_list("Please note:", done.notes)
    told_list("Held, but not copied (tried again by every run):", done.held_not_copied)
    if done.held_copied:
        results.print(f"Recordings copied for legal holds: {done.held_copied}.")
    if done.registers:
        results.print(f"Registers read: {', '.join(done.registers)}.")
    results.print(
        f"{done.files} files: {done.loaded} loaded, {done.unchanged} unchanged, {done.partly_loaded} partly loaded, "
        f"{done.rejected} rejected; {done.events} events from {done.rows} rows."
    )
    finish(as_json, {"command": "ingest", **vars(done)}, SOME_REJECTED if done.some_rejected else OK)


@app.command(epilog=example("fleetbrake score --store store --as-of 2026-02-28"))
def score(
    store: StoreOption,
    as_of: Annotated[
        datetime | None,
        typer.Option("--as-of", metavar="DATE", formats=["%Y-%m-%d"], help="Evidence up to this day (newest event)."),
    ] = None,
    all_history: Annotated[
        bool, typer.Option("--all-history", help="Score every past week with inspections anew, to learn from them.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Score vehicles and drivers and print the ranked list."""
    from fleetbrake import pipeline
    from fleetbrake.reports import model_reads

    with sentences(as_json):
        day = pipeline.score(store, _day(as_of), all_history=all_history)
        vehicles = print_ranking(results, store, day)
        model = model_reads.model_in_use(store, day)
        for line in filter(None, (model.sentence, model.waiting)):
            results.print(visible(line), markup=False)
        notes = pipeline.not_counted(store)
        told_list("Please note:", notes)
    facts = {"command": "score", "as_of": day, "vehicles": vehicles, "score_model": model.name, "notes": notes}
    finish(as_json, facts, OK)


@app.command(epilog=example("fleetbrake plan --store store --calendar plan.ics --workbook plan.xlsx"))
def plan(
    store: StoreOption,
    calendar: Annotated[
        Path | None, typer.Option("--calendar", metavar="FILE.ics", help="Write the visits as all-day entries too.")
    ] = None,
    workbook: Annotated[
        Path | None, typer.Option("--workbook", metavar="FILE.xlsx", help="Write the work list to print too.")
    ] = None,
    findings_sheet: Annotated[
        Path | None, typer.Option("--findings-sheet", metavar="FILE.csv", help="Write a sheet to fill in and import.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Put inspections into the depots' bays and days of the coming two weeks."""
    from fleetbrake import pipeline
    from fleetbrake.reports.plan_files import PlanFiles

    with sentences(as_json):
        files = PlanFiles(calendar, workbook, findings_sheet)
        files.check()  # a slip in a name is told before anything is planned
        visits = pipeline.plan(store)
        told = print_plan(results, store)
        notes = pipeline.not_counted(store)
        told_list("Please note:", notes)
        written = files.write(store)
    for file in written:
        results.print(visible(str(file)), markup=False)
    facts = {"visits": visits, **told, "notes": notes, "files": [str(f) for f in written]}
    finish(as_json, {"command": "plan", **facts}, OK)


@app.command(epilog=example("fleetbrake findings findings.csv --store store"))
def findings(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV with the columns of the register inspections.")],
    store: StoreOption,
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Whoever stands for the findings.")] = "workshop",
    as_json: JsonOption = False,
) -> None:
    """Take in what inspections found; the next `fleetbrake score` counts it. Rows without a finding are passed over."""
    from fleetbrake.store.findings import import_findings

    with sentences(as_json):
        taken = import_findings(store, file, by)
    told_list("Not taken in:", taken.problems)
    said = f"{taken.new} findings taken in, {taken.known} known already, {len(taken.problems)} problems."
    results.print(said + (" They count from the next `fleetbrake score` on." if taken.new else ""))
    status = OK if not taken.problems else SOME_REJECTED if taken.new or taken.known else NOTHING_DONE
    facts = {"findings": taken.new, "known": taken.known, "problems": taken.problems}
    finish(as_json, {"command": "findings", **facts}, status)


@app.command(epilog=example("fleetbrake report --store store --month 2026-02 --out reports/"))
def report(
    store: StoreOption,
    month: Annotated[str, typer.Option("--month", metavar="YYYY-MM", help="Calendar month, UTC.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the month's files.")],
    safety_role: Annotated[
        bool, typer.Option("--with-driver-names", help="For the safety manager: drivers' ids, trips, places.")
    ] = False,
    units: Annotated[
        Literal["metric", "us"],
        typer.Option("--units", help="Units of PDF and workbook; CSV and Parquet are always SI, for other programs."),
    ] = "metric",
    as_json: JsonOption = False,
) -> None:
    """Write the month as PDF, XLSX, CSV and Parquet."""
    from fleetbrake import pipeline
    from fleetbrake.reports.measures import Measures, System

    with sentences(as_json):
        measures = Measures(System(units))
        files = pipeline.report(store, _month(month), out, safety_role=safety_role, measures=measures)
    for file in files:
        results.print(visible(str(file)), markup=False)
    told = {"command": "report", "month": month, "units": units, "files": [str(f) for f in files]}
    finish(as_json, told, OK)


@app.command(epilog=example("fleetbrake dashboard --store store --port 8600"), help=DASHBOARD_HELP)
def dashboard(
    store: StoreOption,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port to listen on.")] = 8600,
    address: Annotated[
        str, typer.Option("--address", metavar="A", help="Address to listen on; beyond 127.0.0.1 with --sign-in only.")
    ] = "127.0.0.1",
    sign_in: Annotated[
        Path | None, typer.Option("--sign-in", metavar="FILE.toml", help="How people sign in and who has which role.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check address and sign-in file, then become the pages' server."""
    from fleetbrake.access import serving
    from fleetbrake.access.sign_in import read_sign_in

    with sentences(as_json):
        page = serving.pages_file(Path(__file__).resolve().parent)
        if not store.is_dir():
            raise FleetbrakeError(f"{store}: there is no such store; run `fleetbrake ingest` first.")
        settings = None if sign_in is None else read_sign_in(sign_in, port)
        serving.check_address(address, settings)
        serving.check_port(address, port)
        options = serving.server_options(address, port, settings)
    url = serving.shown_address(address, port, settings)
    talk.print(f"Pages at {url} (end with Ctrl+C)", markup=False, soft_wrap=True)
    if as_json:
        print_json({"command": "dashboard", "status": OK, "url": url})
    sys.stdout.flush()
    os.environ["FLEETBRAKE_STORE"] = str(store.resolve())
    os.environ[serving.SIGN_IN_VARIABLE] = "" if settings is None else str(settings.path)
    serving.settle_in(page, os.environ)
    # -P: no module of the folder in which this is started takes the place of an installed one
    command = [sys.executable, "-P", "-m", "streamlit", "run", str(page), *options]
    os.execv(sys.executable, command)  # noqa: S606 - our own interpreter, no shell


@app.command(epilog=example("fleetbrake demo --serve"))
def demo(
    folder: Annotated[Path, typer.Option("--folder", metavar="DIR", help="Where the invented fleet goes.")] = Path(
        "fleetbrake-demo"
    ),
    serve: Annotated[bool, typer.Option("--serve", help="Open the pages at once.")] = False,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port for --serve.")] = 8600,
    as_json: JsonOption = False,
) -> None:
    """Invent a small fleet with a physical model, run the whole job on it and print the ranked list."""
    from fleetbrake import pipeline

    with sentences(as_json), progress_shown() as progress:
        talk.print("Inventing a fleet (the first run compiles the kernels, about a minute) ...")
        store = pipeline.make_demo(folder, progress)
    with sentences(as_json):
        vehicles = print_ranking(results, store, None)
    results.print(
        f"\nOpen the pages with:  {_program()} dashboard --store {shlex.quote(str(store))}",
        markup=False,
        soft_wrap=True,
    )
    finish(as_json, {"command": "demo", "store": str(store), "vehicles": vehicles}, OK, leave=not serve)
    if serve:
        dashboard(store, port)  # on this machine only


cli_sheets.add_commands(app)
cli_upkeep.add_commands(app)


def main() -> None:
    """Entry point of the ``fleetbrake`` command."""
    signal.signal(signal.SIGPIPE, signal.SIG_DFL) if hasattr(signal, "SIGPIPE") else None
    may_watch()
    app(prog_name="fleetbrake")


# --- arguments -------------------------------------------------------------------------------------------------------


def _program() -> str:
    """How this command can be called again: by its name where the shell finds it, else by the path it was called by."""
    called = Path(sys.argv[0])
    found = shutil.which("fleetbrake")
    if called.stem != "fleetbrake" or (found and Path(found).resolve() == called.resolve()):
        return "fleetbrake"
    return shlex.quote(str(called))


def _day(moment: datetime | None) -> date | None:
    """The day asked for; FleetbrakeError for a day to come, whose scores would stay the newest, or one long gone."""
    if moment is not None and not date(1980, 1, 1) <= moment.date() <= datetime.now(UTC).date():
        raise FleetbrakeError(f"--as-of {moment:%Y-%m-%d}: a day from 1980 up to today is expected.")
    return moment.date() if moment else None


def _month(text: str) -> str:
    try:
        return datetime.strptime(text, "%Y-%m").strftime("%Y-%m")
    except ValueError:
        raise FleetbrakeError(f"--month {text}: a month is written like 2026-02.") from None


if __name__ == "__main__":
    main()
