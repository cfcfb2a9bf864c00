"""Typed reads of the unattended runs: the newest ones, how they ended and what they did, in words."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.reports import look
from fleetbrake.store.runs import Outcome, Run, last_runs

#: Runs that a page shows; own choice: a week of nights and a month.
MOST_RUNS: Final = 8

_COLUMNS: Final = ("job", "started_at", "seconds", "outcome", "did", "reason", "well")
#: Counts of a night in the order in which they are told: key of the summary, one, several.
_NIGHT: Final = (
    ("loaded", "file loaded", "files loaded"),
    ("partly_loaded", "partly", "partly"),
    ("rejected", "rejected", "rejected"),
    ("events", "event", "events"),
    ("visits", "visit planned", "visits planned"),
)


def newest_runs(store: Path, most: int = MOST_RUNS) -> pd.DataFrame:
    """One row a run, the newest first.

    Columns: job, started_at, seconds (so far, for one that still runs; missing for one that was killed), outcome, did
    (in words), reason (why it failed, else missing), well (ended without a failure, or still runs).
    """
    rows = [_row(run) for run in last_runs(store, most)]
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _row(run: Run) -> dict[str, Any]:
    return {
        "job": run.job,
        "started_at": run.started_at,
        "seconds": _seconds(run),
        "outcome": run.outcome.value,
        "did": _did(run.summary),
        "reason": run.error,
        "well": run.outcome in (Outcome.RUNNING, Outcome.DONE, Outcome.SOME_REJECTED),
    }


def _seconds(run: Run) -> float | None:
    """How long it took, as it measured itself; by the clock, which may have been set meanwhile, where it did not."""
    measured = run.summary.get("seconds")
    if isinstance(measured, int | float):
        return float(measured)
    until = datetime.now(UTC) if run.outcome is Outcome.RUNNING else run.ended_at
    return None if until is None else max(0.0, (until - run.started_at).total_seconds())


def _did(summary: Mapping[str, Any]) -> str | None:
    """What came of a run, in a few words; None where nothing did."""
    told = [str(summary["month"])] if summary.get("month") else []
    for key, one, several in _NIGHT:
        count = summary.get(key)
        if isinstance(count, int) and (count or key in ("loaded", "visits")):
            told.append(f"{look.whole(count)} {one if count == 1 else several}")
    if summary.get("as_of"):
        told.append(f"scored as of {summary['as_of']}")
    retention = summary.get("retention")
    if isinstance(retention, Mapping) and retention.get("refused_since"):
        told.append(f"nothing too old dropped since {retention['refused_since']}")
    if summary.get("month") and summary.get("files"):
        told.append(f"{look.whole(summary['files'])} files")
    return ", ".join(told) or None
