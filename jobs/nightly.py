"""The unattended night: new recordings in, scores, plan. One JSON line at the end, exit status as the commands give it.

Example: python jobs/nightly.py --recordings /data/recordings --registers /data/registers --store /data/store
"""

import argparse
import json
import sys
from pathlib import Path

from fleetbrake import pipeline
from fleetbrake.core.errors import FleetbrakeError


def run(
    recordings: Path, registers: Path | None, store: Path, mapping: str | None = None
) -> tuple[int, dict[str, object]]:
    """Ingest, score and plan; exit status and the facts of the run."""
    try:
        taken = pipeline.ingest([recordings], store, registers=registers, mapping=mapping)
        day = pipeline.score(store)
        visits = pipeline.plan(store)
    except FleetbrakeError as error:
        return 2, {"job": "nightly", "error": str(error)}
    facts: dict[str, object] = {"job": "nightly", "as_of": day.isoformat(), "visits": visits, **vars(taken)}
    return int(taken.some_rejected), facts


def main() -> None:
    """Arguments in, JSON line and exit status out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", type=Path, required=True)
    parser.add_argument("--registers", type=Path)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--mapping")
    given = parser.parse_args()
    status, facts = run(given.recordings, given.registers, given.store, given.mapping)
    print(json.dumps({**facts, "status": status}, sort_keys=True))
    sys.exit(status)


if __name__ == "__main__":
    main()
