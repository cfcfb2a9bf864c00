"""How commands talk: sentences for errors, progress, lists, the JSON line, exit status; options that several share.

Results go to standard output, talk to standard error.
"""

import json
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.foreign_text import MOST_SENTENCE, shortened, visible
from fleetbrake.core.stages import COMPILING
from fleetbrake.store.disk_words import reason
from fleetbrake.unattended.signals import StopAsked, listening

OK, SOME_REJECTED, NOTHING_DONE = 0, 1, 2

#: At most so many sentences of one kind are printed; what --json prints has them all.
MOST_SENTENCES = 20

StoreOption = Annotated[
    Path, typer.Option("--store", metavar="DIR", help="Folder that keeps the lake, the registers and fleet.duckdb.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="End with one line of JSON for other programs.")]

talk = Console(stderr=True, highlight=False)
#: Elsewhere than on a terminal lines are not folded to the width of one.
results = Console(highlight=False, width=None if sys.stdout.isatty() else 160)


def example(line: str) -> str:
    """Last line of a command's help."""
    return f"Example: {line}"


@contextmanager
def sentences(as_json: bool) -> Iterator[None]:
    """Turn the project's errors into one sentence and exit status 2."""
    try:
        yield
    except FleetbrakeError as error:
        _refuse(str(error), as_json)
    except (OSError, ValueError) as error:  # a path too long, a folder that is a file, a disk that is full ...
        where = f"{error.filename}: " if isinstance(error, OSError) and error.filename else ""
        _refuse(f"{where}{reason(error) if isinstance(error, OSError) else error}", as_json)


@contextmanager
def stoppable(as_json: bool, what_is_kept: str) -> Iterator[StopAsked]:
    """Let Ctrl+C, and whoever else asks the program to end, break off the block: one sentence, and exit status 128 and
    the signal's number, as shells count. ``check`` of what is yielded belongs where the block says how far it is."""
    with listening() as asked:
        try:
            with asked.armed():
                yield asked
        except BaseException:
            if asked.by is None:
                raise
            _refuse(f"Stopped by {asked.by}. {what_is_kept}", as_json, 128 + signal.Signals[asked.by])


def fit_to_print(sentence: str) -> str:
    """A sentence with text from outside in it, as a terminal may show it; --json has it whole."""
    return visible(shortened(sentence, MOST_SENTENCE))


def _refuse(sentence: str, as_json: bool, status: int = NOTHING_DONE) -> None:
    talk.print(Text(fit_to_print(sentence), style="red"), soft_wrap=True)
    finish(as_json, {"error": sentence}, status)


@contextmanager
def progress_shown() -> Iterator[Callable[[str, int, int], None]]:
    """Progress bars on a terminal; elsewhere one plain line when a stage is done."""
    if not talk.is_terminal:

        def plain(stage: str, done: int, of: int) -> None:
            if stage == COMPILING:
                if done == 0:
                    talk.print(f"{stage} ...", markup=False, soft_wrap=True)
            elif done >= of:
                talk.print(f"{stage}: {done} of {of}", markup=False)

        yield plain
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=talk, transient=True) as bars:
        tasks: dict[str, Any] = {}

        def bar(stage: str, done: int, of: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=of)
            bars.update(tasks[stage], completed=done, total=of)

        yield bar


def told_list(heading: str, told: list[str]) -> None:
    """Sentences under a heading; nothing without any."""
    if not told:
        return
    talk.print(heading)
    for sentence in told[:MOST_SENTENCES]:
        talk.print(f"  {escape(fit_to_print(sentence))}", soft_wrap=True)
    if len(told) > MOST_SENTENCES:
        talk.print(f"  ... and {len(told) - MOST_SENTENCES} more; --json has them all")


def finish(as_json: bool, facts: dict[str, Any], status: int, *, leave: bool = True) -> None:
    """The JSON line if asked for, then the exit status (with ``leave`` False only a bad one ends the program)."""
    if as_json:
        print_json({**facts, "status": status})
    if leave or status:
        raise typer.Exit(status)


def print_json(facts: dict[str, Any]) -> None:
    """One line of JSON on standard output."""
    print(json.dumps(facts, default=_plain, sort_keys=True))


def _plain(value: Any) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)
