"""The unattended month: last month's report into a folder. One JSON line at the end.

Example: python jobs/monthly.py --store /data/store --out /data/reports
"""

import argparse
import json
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from fleetbrake import pipeline
from fleetbrake.core.errors import FleetbrakeError


def month_before(day: date) -> str:
    """Calendar month before the one of ``day``, as ``YYYY-MM``."""
    return (day.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


def run(store: Path, out: Path, month: str | None = None) -> tuple[int, dict[str, object]]:
    """Write the report; exit status and the facts of the run."""
    month = month or month_before(datetime.now(UTC).date())
    try:
        files = pipeline.report(store, month, out)
    except FleetbrakeError as error:
        return 2, {"job": "monthly", "month": month, "error": str(error)}
    return 0, {"job": "monthly", "month": month, "files": [str(file) for file in files]}


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
