"""What many processes do to one store at the same time: publishing, reading as pages read, entering."""

import time
from datetime import date, timedelta
from pathlib import Path

from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.reports import plan_reads, reads, recording_reads
from fleetbrake.reports.source import frame, one_snapshot
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed, Deferred, FindingEntered

#: A reader reads so often at least, also where publishing is over.
FEWEST_READS = 3
_OVER = "publishing-is-over"
#: Tables of which each publication carries its number, and the column with it.
NUMBERED = {"drivers": "depot", "vehicles": "depot", "events": "notes", "vehicle_health": "leading_indicator"}


def publish_often(store: Path, times: int) -> int:
    """Publish so many times; each publication has its number in four tables."""
    for number in range(1, times + 1):
        with rebuilding(store) as con:
            for table, column in NUMBERED.items():
                con.execute(f"UPDATE {table} SET {column} = ?", [str(number)])
    (store.parent / _OVER).write_text("")
    return 0


def read_often(store: Path, rows: dict[str, int]) -> int:
    """Read as pages do until publishing is over; tells what is not of one publication, and what is lost or doubled."""
    done, numbers = 0, set()
    while done < FEWEST_READS or not (store.parent / _OVER).exists():
        with one_snapshot(store):
            pages = (reads.ranked(store), reads.store_facts(store), recording_reads.arrived(store))
            pages += (plan_reads.work_list(store), reads.drivers(store), reads.events_of(store, "V0"))
            asked = " UNION ".join(f"SELECT {column} AS number FROM {table}" for table, column in NUMBERED.items())
            told = frame(store, asked)["number"].tolist()
            found = {name: int(frame(store, f"SELECT count(*) AS n FROM {name}")["n"][0]) for name in rows}
        if len(told) != 1 or found != rows or len(pages[0]) != rows["vehicle_health"]:
            print(f"one reading found publications {told} and rows {found} instead of {rows}")
            return 3
        done, numbers = done + 1, numbers | {told[0]}
    print(f"readings {done} publications {len(numbers)}")
    return 0


def enter_often(store: Path, who: int, times: int) -> int:
    """Enter fixed days, findings and deferrals in turn, each with its number."""
    for number in range(times):
        day, vehicle = date(2026, 2, 1) + timedelta(days=number), f"V{who % 3}"
        row = Inspection(inspection_id=f"{who}-{number}", vehicle_id=vehicle, inspected_on=day, finding="none")
        bodies = (DateFixed(on=day), FindingEntered(row=row), Deferred(until=day, reason=f"number {number} of {who}"))
        enter(store, f"person {who}", vehicle, bodies[number % 3])
    return 0


def wait_for(path: Path, seconds: float = 200.0) -> None:
    """Wait until a file is there, in whatever the process was about to do."""
    end = time.monotonic() + seconds
    while not path.exists() and time.monotonic() < end:
        time.sleep(0.02)
