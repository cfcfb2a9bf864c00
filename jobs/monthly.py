"""The unattended month: last month's report into a folder, scored first if need be. One JSON line at the end.

Example: python jobs/monthly.py --store /data/store --out /data/reports
"""

import argparse
import json
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from fleetbrake import pipeline
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports.month_data import month_figures, month_scored, period


def month_before(day: date) -> str:
    """Calendar month before the one of ``day``, as ``YYYY-MM``."""
    return (day.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


def score_if_missing(store: Path, month: str, today: date) -> date | None:
    """Score the month's last day if the month is over, has events and no score lies in it.

    Returns
    -------
    The day that the month's report rests on; None if there is none.
    """
    scored = month_scored(store, month)
    last_day = period(month).last_day
    if scored is not None or last_day >= today or not month_figures(store, month).events:
        return scored
    return pipeline.score(store, last_day)


def run(store: Path, out: Path, month: str | None = None) -> tuple[int, dict[str, object]]:
    """Write the report; exit status and the facts of the run."""
    today = datetime.now(UTC).date()
    month = month or month_before(today)
    try:
        day = score_if_missing(store, month, today)
        files = pipeline.report(store, month, out)
    except FleetbrakeError as error:
        return 2, {"job": "monthly", "month": month, "error": str(error)}
    as_of = None if day is None else day.isoformat()
    return 0, {"job": "monthly", "month": month, "as_of": as_of, "files": [str(file) for file in files]}


def main() -> None:
    """Arguments in, JSON line and exit status out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--month", metavar="YYYY-MM")
    given = parser.parse_args()
    status, facts = run(given.store, given.out, given.month)
    print(json.dumps({**facts, "status": status}, sort_keys=True))
    sys.exit(status)


if __name__ == "__main__":
    main()
