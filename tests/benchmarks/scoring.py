"""How long scoring takes and what memory: made-up event tables of any size, asserts nothing.

    python tests/benchmarks/scoring.py                          # 10 million feature rows, by model, then by history
    python tests/benchmarks/scoring.py --events 200000 --vehicles 200 --history 1 2 4 [--trailers 0] [--inspections 0]
                                       [--threads 2] [--memory 1GB] [--slowest 12] [--folder DIR]

The rows are drawn from hashes, so that every run has the same ones. They are shaped like a fleet's year (vehicles of
four categories, ten depots, two drivers a vehicle, trips of some three events, four wheels), not like anybody's
brakes. With trailers every vehicle of N2 and N3 pulls another one of them on every trip. With inspections the run also
looks at past weeks, as a nightly one does. The store is on disk, as in earnest; filling it and each run of scoring are
processes of their own, so that their processor time and peak memory are their own. On a shared machine the seconds of
the processor say more than the clock's.

The table by history has stores of one, two, four ... times as many days with as many events a day: each is scored,
then a day more comes in and it is scored again.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb

from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.run import score
from fleetbrake.store.database import WORKING_MEMORY, rebuilding

LAST_DAY = date(2026, 6, 30)
DAYS = 360

EVENTS = """
with numbered as (
    select i, i % {vehicles} as v, (i // {vehicles}) as k, {events} // {vehicles} as of_vehicle
    from range({events}) as t(i)
),
drawn as (
    select
        *, (k * {days} // of_vehicle) as day,
        (hash(i, 'a') % 1000000) / 1e6 as a, (hash(i, 'b') % 1000000) / 1e6 as b, (hash(i, 'c') % 1000000) / 1e6 as c
    from numbered
)
select
    'e' || i as event_id, 'v' || v as vehicle_id, 'd' || (v * 2 + day % 2) as driver_id,
    'v' || v || '-' || day as trip_id,
    (timestamp '{first}' + to_days(day::integer) + to_seconds(21600 + 120 * (k % 200) + i % 60)) at time zone 'UTC'
        as started_at,
    ['N1', 'N2', 'N3', 'M3'][1 + v % 4] as category, 'depot ' || v % 10 as depot,
    'driver' as brake_source, 'pressure' as demand_kind, 'gnss' as speed_source, 50.0 as sample_rate_hz,
    10000.0 as gross_mass_kg, 0.01 * exp(0.15 * (a + b + c - 1.5)) as effectiveness,
    0.05 * (a - 0.5) as effectiveness_change, 0.3 + 0.2 * b as build_up_s, 0.3 + 0.2 * a as release_s,
    3 + 5 * c as braking_s, 900.0 * b as brake_energy_kj, 0.1 + 0.4 * a as friction_used, 4.0 as cutoff_speed_mps,
    case when a < 0.05 then 'wet_paved' else 'unknown' end as surface,
    1 + 4 * a as peak_decel_mps2, a > 0.9 as hard_stop, b < 0.03 as modulation, false as lockup_above_cutoff,
    c < 0.05 as emergency_application, false as lockup,
    -38 + 0.1 * a as latitude_deg, -22 + 0.1 * b as longitude_deg
from drawn
"""

WHEELS = """
select
    event_id, vehicle_id, w as wheel, true as sensed, false as lockup, 0 as modulation_cycles,
    0.02 + 0.004 * ((hash(event_id, w, 's') % 1000) / 1e3 - 0.5) as steady_slip,
    0.002 * ((hash(event_id, w, 'r') % 1000) / 1e3 - 0.5) as released_slip,
    case when hash(event_id, w, 'd') % 100 = 0 then 0.3 else 0.0 end as dropout_s
from events, (select unnest(['1L', '1R', '2L', '2R']) as w)
"""


TRIPS = """
select
    trip_id, vehicle_id, driver_id, min(started_at) as started_at, max(started_at) as ended_at, 120.0 as distance_km,
    case when {trailers} > 0 and category in ('N2', 'N3')
        then 'o' || hash(trip_id) % greatest({trailers}, 1) end as trailer_ids
from events
group by trip_id, vehicle_id, driver_id, category
"""

INSPECTIONS = """
select
    'i' || i as inspection_id, 'v' || i * 7 % {vehicles} as vehicle_id,
    date '{last}' - 1 - (i % {days} * 0.97)::integer as inspected_on,
    case when hash(i, 'f') % 6 = 0 then 'side_imbalance' else 'none' end as finding,
    case when hash(i, 'f') % 6 = 0 then 2 else 0 end as severity
from range({inspections}) as t(i)
"""


def made_store(
    events: int, vehicles: int, threads: int, *, trailers: int = 0, inspections: int = 0
) -> duckdb.DuckDBPyConnection:
    """Published tables in memory, filled with made-up rows."""
    con = duckdb.connect(config={"threads": threads})
    con.execute("set TimeZone = 'UTC'")
    tables = {name: [(c.name, c.type) for c in columns] for name, columns in TABLES.items()}
    for name, columns in (tables | REGISTERS).items():
        con.execute(f"create table {name} (" + ", ".join(f'"{c}" {t}' for c, t in columns) + ")")
    fill(con, events, vehicles, trailers=trailers, inspections=inspections)
    return con


def fill(
    con: duckdb.DuckDBPyConnection,
    events: int,
    vehicles: int,
    *,
    trailers: int = 0,
    inspections: int = 0,
    days: int = DAYS,
) -> None:
    """Insert the made-up rows of so many days into published tables that are there and empty."""
    first = LAST_DAY - timedelta(days=days - 1)
    sql = EVENTS.format(events=events, vehicles=vehicles, days=days, first=first)
    con.execute(f"insert into events by name {sql}")
    con.execute(f"insert into event_wheels by name {WHEELS}")
    con.execute(
        f"insert into vehicles by name select 'v' || v as vehicle_id, ['N1','N2','N3','M3'][1 + v % 4] as category, "
        f"'air' as actuation, 10000.0 as max_mass_kg, 'depot ' || v % 10 as depot from range({vehicles}) as t(v)"
    )
    con.execute(
        "insert into vehicles by name select 'o' || o as vehicle_id, 'O4' as category, 'air' as actuation, "
        f"10000.0 as max_mass_kg, 'depot ' || o % 10 as depot from range({trailers}) as t(o)"
    )
    con.execute("insert into trips by name " + TRIPS.format(trailers=trailers))
    seen = INSPECTIONS.format(inspections=inspections, vehicles=vehicles, days=min(days, DAYS), last=LAST_DAY)
    con.execute(f"insert into inspections by name {seen}")


def processor_s() -> float:
    """Seconds that this process has kept a processor busy, all threads together."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def add_a_day(con: duckdb.DuckDBPyConnection) -> date:
    """The newest day's events once more, a day later; returns that day."""
    last = con.execute("select max(started_at at time zone 'UTC')::date from events").fetchall()[0][0]
    con.execute(
        "create temp table more as select * replace ('n' || event_id as event_id, 'n' || trip_id as trip_id, "
        "started_at + to_days(1) as started_at) from events where (started_at at time zone 'UTC')::date = ?",
        [last],
    )
    con.execute(
        "create temp table more_wheels as select w.* replace ('n' || w.event_id as event_id) "
        "from event_wheels as w semi join more as m on m.event_id = 'n' || w.event_id"
    )
    con.execute("insert into events select * from more")
    con.execute("insert into event_wheels select * from more_wheels")
    con.execute(
        "insert into trips select t.* replace ('n' || trip_id as trip_id, started_at + to_days(1) as started_at, "
        "ended_at + to_days(1) as ended_at) from trips as t semi join more as m on m.trip_id = 'n' || t.trip_id"
    )
    return last + timedelta(days=1)


def run_step(given: argparse.Namespace) -> dict[str, Any]:
    """One step in this process: what it took."""
    began, before = time.perf_counter(), processor_s()
    told: dict[str, Any] = {"models": {}}
    if given.step == "fill":
        with rebuilding(given.folder, memory_limit=given.memory, threads=given.threads) as con:
            fill(con, given.events, given.vehicles, trailers=given.trailers, inspections=given.inspections,
                 days=given.days)  # fmt: skip
    elif given.step == "day":
        with rebuilding(given.folder, memory_limit=given.memory, threads=given.threads) as con:
            add_a_day(con)
    else:
        told["models"] = _timed_models()
        with rebuilding(given.folder, memory_limit=given.memory, threads=given.threads) as con:
            began, before = time.perf_counter(), processor_s()
            day = score(con, today=LAST_DAY + timedelta(days=1))
            told |= {"clock": time.perf_counter() - began, "processor": processor_s() - before, "day": str(day)}
            weeks = "select figure, value, note from model_quality where figure like 'weeks%'"
            told["weeks"] = con.execute(weeks).fetchall()
    told.setdefault("clock", time.perf_counter() - began)
    told.setdefault("processor", processor_s() - before)
    return told | {"peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}


def _timed_models() -> dict[str, list[float]]:
    """Name -> clock and processor of each model, filled while this process scores."""
    spent: dict[str, list[float]] = {}
    plain = models.build

    def timed(con: duckdb.DuckDBPyConnection, names: tuple[str, ...], *, free: bool = False) -> None:
        for name in names:
            start, before = time.perf_counter(), processor_s()
            plain(con, (name,), free=free)
            clock, work = spent.get(name, [0.0, 0.0])
            spent[name] = [clock + time.perf_counter() - start, work + processor_s() - before]

    models.build = timed
    return spent


def in_process(given: argparse.Namespace, step: str, folder: Path, days: int = DAYS, events: int = 0) -> dict[str, Any]:
    """A step in a process of its own."""
    options = {"step": step, "folder": folder, "days": days, "events": events or given.events}
    passed = {name: getattr(given, name) for name in ("vehicles", "trailers", "inspections", "threads", "memory")}
    arguments = [part for name, value in (passed | options).items() for part in (f"--{name}", str(value))]
    done = subprocess.run([sys.executable, __file__, *arguments], check=True, stdout=subprocess.PIPE, text=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def by_model(given: argparse.Namespace, told: dict[str, Any]) -> None:
    """Print the slowest models and the whole."""
    inside = [sum(row[place] for row in told["models"].values()) for place in (0, 1)]
    outside = [told["clock"] - inside[0], told["processor"] - inside[1]]
    spent = told["models"] | {"outside the models": outside}
    print(f"{'model':28s} {'clock':>9s} {'processor':>11s}")
    for name, (clock, work) in sorted(spent.items(), key=lambda item: -item[1][1])[: given.slowest]:
        print(f"{name:28s} {clock:7.2f} s {work:9.2f} s {100 * work / told['processor']:5.1f} %")
    print(
        f"{given.events} events and {4 * given.events} event-wheels of {given.vehicles} vehicles, {given.trailers} "
        f"trailers, {given.inspections} inspections, {given.threads} threads, {given.memory} for tables: "
        f"{told['clock']:.1f} s by the clock, {told['processor']:.1f} s of the processor, "
        f"peak {told['peak_mib']:.0f} MiB"
    )
    for figure, value, note in told["weeks"]:
        print(f"{figure}: {value:.0f} ({note})")


def by_history(given: argparse.Namespace, times: int, folder: Path) -> None:
    """Print one row of the table by history."""
    rows = []
    in_process(given, "fill", folder, DAYS * times, given.events * times)
    for step in ("score", "day", "score"):
        told = in_process(given, step, folder)
        rows += [told] if step == "score" else []
    cells = "".join(f"{row['clock']:10.1f} s {row['processor']:8.1f} s {row['peak_mib']:8.0f} MiB" for row in rows)
    print(f"{times:3d} x {DAYS} days {5 * given.events * times:12d} rows {cells}", flush=True)


def main() -> None:
    """Print the time of each model and the whole, then the table by history."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options = (("--events", 2_000_000), ("--vehicles", 2000), ("--trailers", 0), ("--inspections", 0), ("--threads", 2),
               ("--slowest", 12))  # fmt: skip
    for name, value in options:
        asked.add_argument(name, type=int, default=value)
    asked.add_argument("--memory", default=WORKING_MEMORY, help="what the database may hold in memory")
    asked.add_argument("--history", type=int, nargs="*", default=[1, 2, 4], help="times 360 days; none: no table")
    asked.add_argument("--folder", type=Path, help="where stores are made; by default a temporary folder")
    asked.add_argument("--step", choices=("fill", "day", "score"), help=argparse.SUPPRESS)
    asked.add_argument("--days", type=int, default=DAYS, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.step:
        print(json.dumps(run_step(given)))
        return
    for times in (0, *given.history):
        folder = Path(tempfile.mkdtemp(prefix="scoring-", dir=given.folder))
        try:
            if times:
                by_history(given, times, folder)
                continue
            in_process(given, "fill", folder)
            by_model(given, in_process(given, "score", folder))
            if given.history:
                print(
                    "\nhistory                            whole: clock, processor, peak     with a day more: the same"
                )
        finally:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
