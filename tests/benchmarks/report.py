"""How long a month's report takes: a made-up store of any size, seconds of each part, asserts nothing.

    python tests/benchmarks/report.py [--vehicles 1000] [--events 1000000] [--inspections 3000] [--store DIR]
                                      [--months 1] [--units metric]

The rows are those of ``scoring.py`` (a year of 360 days that ends with June 2026), with every measured column filled
and a file a vehicle and day in the log. Scores are made once, for the last day; those of the other months' last days
are copies of them, since the time of reading does not depend on what they say. ``--store`` keeps the store, or takes
the one that is there. ``--months 12`` writes all months of the year. On a shared machine the processor's seconds say
more than the clock's.
"""

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parent))
from scoring import LAST_DAY, fill, processor_s

from fleetbrake.core.tables import TABLES
from fleetbrake.reports.measures import Measures, System
from fleetbrake.reports.monthly.month_csv import write_tables
from fleetbrake.reports.monthly.month_pdf import write_pdf
from fleetbrake.reports.monthly.month_told import month_told
from fleetbrake.reports.monthly.month_xlsx import write_workbook
from fleetbrake.scoring.run import score
from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.publish import sum_up

LOG = """
INSERT INTO ingest_log BY NAME
SELECT
    source_path AS path, md5(source_path) AS sha256,
    CASE WHEN hash(source_path) % 500 = 0 THEN 'partly_loaded' ELSE 'loaded' END AS status,
    sum(samples) AS rows, count(*) AS events, 0 AS events_rejected, min(started_at) AS first_at,
    max(started_at) + INTERVAL 1 MINUTE AS last_at, max(started_at) + INTERVAL 9 HOUR AS loaded_at, 1 AS vehicles,
    CASE WHEN hash(source_path) % 500 = 0 THEN 'event of driver d7: time runs backwards at row 801' END AS reason,
    'event_id,timestamp,speed_mps,wheel_speed_1l_mps,wheel_speed_1r_mps,brake_pressure_kpa' AS channels
FROM events GROUP BY source_path
"""
PATHS = (
    "'/data/recordings/driver_id=' || driver_id || '/' || vehicle_id || '-' || strftime(started_at, '%j') || '.parquet'"
)


def make(store: Path, events: int, vehicles: int, inspections: int) -> None:
    """A scored store of that size; what is made up is the same in every run."""
    with rebuilding(store) as con:
        fill(con, events, vehicles, inspections=inspections)
        for table in ("events", "event_wheels"):
            fill_measured(con, table)
        con.execute(f"UPDATE events SET source_path = {PATHS}, samples = 500, row_start = 0, row_stop = 500")
        con.execute("UPDATE events SET notes = 'a gap of 0.4 s in row 31 was bridged' WHERE hash(event_id) % 20 = 0")
        con.execute(LOG)
        con.execute("INSERT INTO drivers BY NAME SELECT DISTINCT driver_id, 'depot 1' AS depot FROM events")
        sum_up(con)
        score(con, LAST_DAY, today=LAST_DAY)
        for end in pd.date_range(end=LAST_DAY - timedelta(days=1), periods=11, freq="ME"):
            for table in ("vehicle_health", "indicators", "driver_style"):
                con.execute(f"INSERT INTO {table} SELECT * REPLACE (?::DATE AS as_of) FROM {table} WHERE as_of = ?",
                            [end.date(), LAST_DAY])  # fmt: skip


def fill_measured(con: duckdb.DuckDBPyConnection, table: str) -> None:
    """Numbers with many digits in every measured column that has none."""
    open_ones = [c.name for c in TABLES[table] if c.type == "DOUBLE"]
    drawn = ", ".join(f"{c} = coalesce({c}, (hash(event_id, '{c}') % 1000000007) / 1e8)" for c in open_ones)
    con.execute(f"UPDATE {table} SET {drawn}")


def timed(spent: dict[str, list[float]], part: str, work: Callable[[], Any]) -> Any:
    """What ``work`` returns; its seconds by the clock and of the processor are added under ``part``."""
    start, before = time.perf_counter(), processor_s()
    done = work()
    so_far = spent.setdefault(part, [0.0, 0.0])
    so_far[0] += time.perf_counter() - start
    so_far[1] += processor_s() - before
    return done


def report(store: Path, month: str, out: Path, measures: Measures, spent: dict[str, list[float]]) -> int:
    """The parts of one month's report, each timed; returns the events of the month."""
    out.mkdir()
    told = timed(spent, "read", lambda: month_told(store, month, measures))
    timed(spent, "CSV and Parquet", lambda: write_tables(out, told.tables))
    timed(spent, "XLSX", lambda: write_workbook(out / "month.xlsx", told))
    timed(spent, "PDF", lambda: write_pdf(out / "month.pdf", told))
    return told.figures.events


def main() -> None:
    """Make the store if need be, write the months and print the seconds."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, value in (("--vehicles", 1000), ("--events", 1_000_000), ("--inspections", 3000), ("--months", 1)):
        asked.add_argument(name, type=int, default=value)
    asked.add_argument("--store", type=Path)
    asked.add_argument("--units", choices=[system.value for system in System], default="metric")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="report-benchmark-") as folder:
        store = given.store or Path(folder) / "store"
        made: dict[str, list[float]] = {}
        if not database_path(store).exists():
            store.mkdir(parents=True, exist_ok=True)
            timed(made, "store made", lambda: make(store, given.events, given.vehicles, given.inspections))
        months = [str(m) for m in pd.period_range(end=str(LAST_DAY)[:7], periods=given.months, freq="M")][::-1]
        spent: dict[str, list[float]] = {}
        measures = Measures(System(given.units))
        events = [report(store, month, Path(folder) / month, measures, spent) for month in months]
    for part, (clock, work) in {**made, **spent}.items():
        print(f"{part:20s} {clock:8.1f} s by the clock {work:8.1f} s of the processor")
    whole = [sum(seconds) for seconds in zip(*spent.values(), strict=True)]
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{len(months)} month(s) with {sum(events):,} events: {whole[0]:.1f} s by the clock, {whole[1]:.1f} s of the "
        f"processor, memory at most {peak_gb:.1f} GB"
    )


if __name__ == "__main__":
    main()
