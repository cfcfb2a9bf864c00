"""Sheets for the workshop that go with the month: of every vehicle that the newest scores ask to have looked at."""

from pathlib import Path

from fleetbrake.planning.visits import FLAGGED
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.sheets.vehicle_sheet import vehicle_sheets
from fleetbrake.reports.source import frame

_FLAGGED = """
SELECT vehicle_id FROM vehicle_health
WHERE as_of = (SELECT max(as_of) FROM vehicle_health) AND list_contains(?, priority)
ORDER BY rank, vehicle_id
"""


def sheets_of_flagged(store: Path, measures: Measures) -> bytes | None:
    """One PDF, a page a vehicle, the first to inspect first; None where no vehicle is asked for."""
    found = frame(store, _FLAGGED, [list(FLAGGED)])
    vehicles = [str(one) for one in found["vehicle_id"]]
    return vehicle_sheets(store, vehicles, measures) if vehicles else None
