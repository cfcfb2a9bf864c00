"""The month: last month's report to a folder or an object store, its last day scored first if need be."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from fleetbrake import pipeline
from fleetbrake.core.errors import InputError
from fleetbrake.reports.monthly.month_data import month_figures, month_scored, period
from fleetbrake.unattended.config import Config, MonthPart
from fleetbrake.unattended.destination import Destination, alone, destination, draft_for
from fleetbrake.unattended.nightly import waited_lock
from fleetbrake.unattended.run import Run, run_job

JOB: Final = "monthly"


def monthly(config: Config, month: str | None = None) -> tuple[int, dict[str, Any]]:
    """Write the report of a month (last month, UTC, by default); exit status and facts."""
    return run_job(JOB, config, lambda run: _month(run, config, month), makes_store=False)


def month_before(day: date) -> str:
    """Calendar month before the one of ``day``, as ``YYYY-MM``."""
    return (day.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


def needs_score(store: Path, month: str, today: date) -> bool:
    """Whether the month is over, has events, and no score lies in it."""
    over = period(month).last_day < today
    return over and month_scored(store, month) is None and month_figures(store, month).events > 0


def _month(run: Run, config: Config, asked: str | None) -> None:
    if config.month is None:
        raise InputError("[month] is missing: the report has no place to go to.")
    today = datetime.now(UTC).date()
    month = period(asked or month_before(today)).month
    run.facts["month"] = month
    part = config.month
    place = destination(part.out, month, part.attempts)
    run.progress("waiting for its turn")
    with alone(run.store, part.wait_s):
        if needs_score(run.store, month, today):
            _score(run, month, today, part.wait_s)
        day = month_scored(run.store, month)
        run.facts["as_of"] = None if day is None else day.isoformat()
        with draft_for(place) as draft:
            names = run.step("report", lambda: _made(run, part, month, draft))
            if names is not None:
                run.step("delivery", lambda: _delivered(run, place, draft, names))


def _score(run: Run, month: str, today: date, wait_s: float) -> None:
    """Score the month's last day. Only this writes the store; a report alone does not wait for a night."""
    with waited_lock(run, wait_s):
        if needs_score(run.store, month, today):  # whoever was waited for may have done it
            run.step("score", lambda: pipeline.score(run.store, period(month).last_day))


def _made(run: Run, part: MonthPart, month: str, draft: Path) -> list[str]:
    """The files of the month in ``draft``, by name."""
    how: dict[str, Any] = {"safety_role": part.with_driver_names, "measures": part.measures}
    files = pipeline.report(run.store, month, draft, **how)
    if part.vehicle_sheets:
        from fleetbrake.unattended.sheets import sheets_of_flagged  # typesetting is loaded only when needed

        sheets = draft / f"vehicle-sheets-{month}.pdf"
        content = sheets_of_flagged(run.store, part.measures)
        if content is not None:
            sheets.write_bytes(content)
            files.append(sheets)
    return [file.relative_to(draft).as_posix() for file in files]


def _delivered(run: Run, place: Destination, draft: Path, names: list[str]) -> None:
    facts = {"run_id": run.run_id, "as_of": run.facts.get("as_of")}
    run.facts["files"] = place.deliver(draft, names, facts, lambda done, of: run.progress("delivery", done, of))
    run.facts["place"] = place.shown
