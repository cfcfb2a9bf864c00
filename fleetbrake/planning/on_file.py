"""What is open on file at the moment of planning, whatever the scores of an earlier moment said of the vehicle.

It is read by the models that the scores use (``int_open_findings``), so that both take the same for open and for
answered; what was entered since the last scores counts at once.
"""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import duckdb

from fleetbrake.planning.visits import STOP, THIS_WEEK
from fleetbrake.scoring.open_on_file import open_findings
from fleetbrake.store.vehicle_registers import registers_now

_READ = """
select
    vehicle_id, case when severity >= 3 or tested then $stop else $week end as priority,
    case when tested then 'a failed brake test' else 'a finding' end as what, found_on as on_day, told
from int_open_findings
union all
select
    r.vehicle_id, case when r.severity >= 3 then $stop else 'next_service' end, 'a report',
    (r.reported_at at time zone 'UTC')::date,
    format('a report of {}: {}', (r.reported_at at time zone 'UTC')::date, coalesce(r.text, 'no text given'))
from defect_reports as r, run
where r.vehicle_id is not null and r.severity >= 2 and r.reported_at < run.known_until
    and (r.cleared_at is null or r.cleared_at >= run.known_until)
order by all
"""

_REPORT = "a report"
_ORDER: tuple[str, ...] = (STOP, THIS_WEEK, "next_service")


@dataclass(frozen=True)
class OnFile:
    """The worst that is open of one vehicle: what it asks for at least, in words; ``must``: found, not only reported.

    Severity 3 and a failed brake test: not before an inspection. A finding of severity 2: this week. A report of
    severity 2: the next service. As in the scores.
    """

    least: str
    told: str
    must: bool


def on_file(con: duckdb.DuckDBPyConnection, as_of: date, today: date) -> dict[str, OnFile]:
    """What is open by vehicle, as far as it was written up to ``today`` (``as_of``: the day of the scores)."""
    found: dict[str, OnFile] = {}
    for vehicle, least, what, _, told in _open(con, as_of, today):
        found.setdefault(vehicle, OnFile(least, told, what != _REPORT))
    return found


def danger_of(con: duckdb.DuckDBPyConnection, store: Path, vehicle_id: str) -> str | None:
    """What forbids driving, in words without what people wrote; None if nothing does.

    By the registers whatever their days, and by what was entered since they were published (``con``).
    """
    with registers_now(con, store, vehicle_id) as own:
        for _, least, what, on_day, _ in _open(own, date.max, date.max) if own is not None else ():
            if least == STOP:
                return f"{what} of {on_day}" + ("" if "test" in what else " of a dangerous defect")
    return None


def _open(con: duckdb.DuckDBPyConnection, as_of: date, today: date) -> list[Any]:
    """Rows of what is open, the worst of a vehicle first: vehicle, priority, what, day, in words."""
    with open_findings(con, as_of, today):
        rows = con.execute(_READ, {"stop": STOP, "week": THIS_WEEK}).fetchall()
    return sorted(rows, key=lambda row: (_ORDER.index(row[1]), row[2] == _REPORT, row[4]))
