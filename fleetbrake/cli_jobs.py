"""The entry points of the unattended runs: arguments in, one JSON line on standard output, exit status.

``python jobs/nightly.py`` and the command ``fleetbrake-nightly`` are the same, and so for the month.
"""

import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from fleetbrake.cli_talk import NOTHING_DONE, example, print_json, talk
from fleetbrake.cli_watch import may_watch, watched
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.recordings.story import printable

if TYPE_CHECKING:
    from fleetbrake.unattended.config import Config

ConfigOption = Annotated[
    Path, typer.Option("--config", metavar="FILE.toml", help="The configuration of both jobs, see fleet.toml.")
]
LineOption = Annotated[
    bool, typer.Option("--json", help="Taken as the commands take it: the line of JSON comes in any case.")
]
MonthOption = Annotated[
    str | None, typer.Option("--month", metavar="YYYY-MM", help="Calendar month, UTC; the last one by default.")
]


def _nightly(config: ConfigOption, as_json: LineOption = False) -> None:
    """Read new recordings, drop what is too old, score and plan. One line of JSON at the end.

    Exit status: 0 all done; 1 some input was rejected (what was good is in); 2 something could not be done.
    """
    watched(lambda: _store_named(config))
    from fleetbrake.unattended.nightly import JOB, nightly

    _run(JOB, config, "recordings", nightly)


def _monthly(config: ConfigOption, month: MonthOption = None, as_json: LineOption = False) -> None:
    """Write last month's report to a folder or an object store. One line of JSON at the end.

    Exit status: 0 all done; 2 something could not be done.
    """
    from fleetbrake.unattended.monthly import JOB, monthly

    _run(JOB, config, "month", lambda read: monthly(read, month))


def _run(
    job: str,
    file: Path,
    part: Literal["recordings", "month"],
    work: "Callable[[Config], tuple[int, dict[str, Any]]]",
) -> None:
    from fleetbrake.unattended.config import ConfigError, read_config
    from fleetbrake.unattended.refused import tell_refused

    try:
        status, facts = work(read_config(file, part))
    except FleetbrakeError as error:
        problems = error.problems if isinstance(error, ConfigError) else []
        status, facts = NOTHING_DONE, {"job": job, "outcome": "failed", "problems": problems, "error": str(error)}
        facts["problem_count"] = len(problems)
        for sentence in tell_refused(job, file, error) if isinstance(error, ConfigError) else ():
            talk.print(printable(sentence), markup=False, soft_wrap=True)
    if facts.get("error") and "run_id" not in facts:
        talk.print(printable(facts["error"]), markup=False, soft_wrap=True)
    print_json({**facts, "status": status})
    sys.stdout.flush()
    raise typer.Exit(status)


def _store_named(config: Path) -> Path:
    """Where the store is, without loading what reads a configuration; raises where it cannot be told."""
    named = tomllib.loads(config.read_text(encoding="utf-8"))["store"]["folder"]
    return config.resolve().parent / Path(named).expanduser()


def _program(name: str, work: Callable[..., None], line: str) -> typer.Typer:
    app = typer.Typer(
        name=name,
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.command(epilog=example(line))(work)
    return app


nightly_app = _program("fleetbrake-nightly", _nightly, "fleetbrake-nightly --config fleet.toml")
monthly_app = _program("fleetbrake-monthly", _monthly, "fleetbrake-monthly --config fleet.toml --month 2026-02")


def nightly() -> None:
    """Entry point of ``fleetbrake-nightly``."""
    may_watch()
    nightly_app(prog_name="fleetbrake-nightly")


def monthly() -> None:
    """Entry point of ``fleetbrake-monthly``."""
    monthly_app(prog_name="fleetbrake-monthly")
