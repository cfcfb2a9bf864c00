"""What is open on file at the moment of planning, whatever the scores of an earlier moment said of the vehicle.

It is read by the models that the scores use (``int_open_findings``), so that both take the same for open and for
answered; what was entered since the last scores counts at once.
"""

from dataclasses import dataclass
from datetime import date

import duckdb

from fleetbrake.planning.visits import STOP, THIS_WEEK
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT

_MODELS = ("stg_vehicles", "stg_inspections", "stg_brake_tests", "int_open_findings")
_READ = """
select vehicle_id, case when severity >= 3 or tested then $stop else $week end as priority, false as reported, told
from int_open_findings
union all
select
    r.vehicle_id, case when r.severity >= 3 then $stop else 'next_service' end, true,
    format('a report of {}: {}', (r.reported_at at time zone 'UTC')::date, coalesce(r.text, 'no text given'))
from defect_reports as r, run
where r.vehicle_id is not null and r.severity >= 2 and r.reported_at < run.known_until
    and (r.cleared_at is null or r.cleared_at >= run.known_until)
order by all
"""

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
    models.drop_temporary(con)
    try:
        models.load_parameters(con, as_of, DEFAULT, today)
        models.build(con, _MODELS)
        rows = con.execute(_READ, {"stop": STOP, "week": THIS_WEEK}).fetchall()
    finally:
        models.drop_temporary(con)
    found: dict[str, OnFile] = {}
    for vehicle, least, reported, told in sorted(rows, key=lambda row: (_ORDER.index(row[1]), row[2], row[3])):
        found.setdefault(vehicle, OnFile(least, told, not reported))
    return found
