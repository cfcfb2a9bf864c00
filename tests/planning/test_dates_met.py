"""Statutory inspections that were done: when a date counts as met, and what it is afterwards."""

from functools import partial
from pathlib import Path
from typing import Any

import pytest
from scored_store import DAY, day
from test_wishes import a_store, dangerous, mended, refused

from fleetbrake.planning.flags import flag_history
from fleetbrake.planning.wishes import fix_date, meet_date
from fleetbrake.store.database import rebuilding
from fleetbrake.store.findings import merged_registers


def met_store(store: Path, **tables: Any) -> Path:
    others = [{"vehicle_id": "bus", "kind": "tachograph", "due_on": day(30)}]
    return a_store(store, due=-9, due_dates=others, **tables)


@pytest.mark.parametrize(
    ("kind", "done", "following", "told"),
    [
        ("roof", 0, 365, "no statutory date of the kind 'roof'; there is inspection, tachograph"),
        (" ", 0, 365, "kind of the statutory inspection is missing"),
        ("inspection", 0, 0, "must lie after the day of the inspection"),
        ("inspection", 0, 3700, "too far ahead"),
        ("inspection", 4000, 4365, "lies in the future"),
    ],
)
def test_a_date_that_cannot_be_met(tmp_path: Path, kind: str, done: int, following: int, told: str) -> None:
    met_store(tmp_path)
    refused(tmp_path, told, lambda: meet_date(tmp_path, "bus", kind, day(done), day(following), "ann"))
    refused(tmp_path, "not known", lambda: meet_date(tmp_path, "nobody", "inspection", DAY, day(9), "ann"))


@pytest.mark.parametrize(
    ("tables", "met"),
    [
        ({"inspections": [dangerous(day(-1), finding="brake_drag", severity=2)]}, False),
        ({"inspections": [dangerous(day(-1), finding="brake_drag", severity=1)]}, True),
        ({"inspections": [dangerous(day(1))]}, True),  # found after it
        ({"inspections": [dangerous(day(-1), finding="brake_drag")], "repairs": [mended(day(0), "1L", "tyre")]}, False),
        ({"inspections": [dangerous(day(-1), finding="brake_drag")], "repairs": [mended(day(0), "1L", "adjustment")]},
         True),
    ],
)  # fmt: skip
def test_a_date_is_not_met_while_a_finding_needs_repair(tmp_path: Path, tables: dict[str, Any], met: bool) -> None:
    met_store(tmp_path, **tables)
    ask = partial(meet_date, tmp_path, "bus", "inspection", DAY, day(365), "ann")
    if met:
        ask()
    else:
        refused(tmp_path, "finding of 2026-03-01 is not repaired", ask)


def test_a_date_that_was_met_is_overdue_no_more(tmp_path: Path) -> None:
    met_store(tmp_path)
    refused(tmp_path, "past its statutory date", lambda: fix_date(tmp_path, "bus", day(3), "ann"))
    meet_date(tmp_path, "bus", "inspection", DAY, day(365), "ann")
    meet_date(tmp_path, "bus", "tachograph", DAY, day(700), "ann")
    with rebuilding(tmp_path) as con:
        merged_registers(con, tmp_path)
        merged_registers(con, tmp_path)  # a second time changes nothing
        assert con.execute("SELECT inspection_due_on, last_inspection_on FROM vehicles").fetchall() == [(day(365), DAY)]
        assert con.execute("SELECT kind, due_on FROM due_dates").fetchall() == [("tachograph", day(700))]
    fix_date(tmp_path, "bus", day(3), "ann")
    assert flag_history(tmp_path, "bus")[-2].told.endswith(f"(tachograph) done on {DAY}, next due {day(700)}")


def test_a_vehicle_of_due_dates_alone_is_known(tmp_path: Path) -> None:
    a_store(tmp_path, due_dates=[{"vehicle_id": "trailer", "kind": "yearly", "due_on": day(9)}])
    fix_date(tmp_path, "trailer", day(3), "ann")
    refused(tmp_path, "past the statutory date", lambda: fix_date(tmp_path, "trailer", day(10), "ann"))
    meet_date(tmp_path, "trailer", "yearly", DAY, day(300), "ann")
