"""How long scoring takes: made-up event tables of any size, time by model, asserts nothing.

    python tests/benchmarks/scoring.py [--events 1000000] [--vehicles 1000] [--trailers 0] [--inspections 0]
                                       [--threads 2] [--slowest 12]

The rows are drawn from hashes, so that every run has the same ones. They are shaped like a fleet's year (vehicles of
four categories, ten depots, two drivers a vehicle, trips of some three events, four wheels), not like anybody's
brakes. With trailers every vehicle of N2 and N3 pulls another one of them on every trip. With inspections the run also
looks at past weeks, as a nightly one does. On a shared machine the seconds of the processor say more than the clock's.
"""

import argparse
import resource
import time
from datetime import date

import duckdb

from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.run import score

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
    con: duckdb.DuckDBPyConnection, events: int, vehicles: int, *, trailers: int = 0, inspections: int = 0
) -> None:
    """Insert the made-up rows into published tables that are there and empty."""
    first = date.fromordinal(LAST_DAY.toordinal() - DAYS + 1)
    sql = EVENTS.format(events=events, vehicles=vehicles, days=DAYS, first=first)
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
    seen = INSPECTIONS.format(inspections=inspections, vehicles=vehicles, days=DAYS, last=LAST_DAY)
    con.execute(f"insert into inspections by name {seen}")


def processor_s() -> float:
    """Seconds that this process has kept a processor busy, all threads together."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Print the time of each model and the whole."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options = (("--events", 1_000_000), ("--vehicles", 1000), ("--trailers", 0), ("--inspections", 0), ("--threads", 2),
               ("--slowest", 12))  # fmt: skip
    for name, value in options:
        asked.add_argument(name, type=int, default=value)
    given = asked.parse_args()
    con = made_store(
        given.events, given.vehicles, given.threads, trailers=given.trailers, inspections=given.inspections
    )
    filled_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    spent: dict[str, float] = {}
    work: dict[str, float] = {}
    plain = models.build

    def timed(con: duckdb.DuckDBPyConnection, names: tuple[str, ...]) -> None:
        for name in names:
            start, before = time.perf_counter(), processor_s()
            plain(con, (name,))
            spent[name] = spent.get(name, 0.0) + time.perf_counter() - start
            work[name] = work.get(name, 0.0) + processor_s() - before

    models.build = timed
    start, before = time.perf_counter(), processor_s()
    score(con, LAST_DAY, today=LAST_DAY)
    whole, all_work = time.perf_counter() - start, processor_s() - before
    spent["outside the models"] = whole - sum(spent.values())
    work["outside the models"] = all_work - sum(work.values())
    print(f"{'model':28s} {'clock':>9s} {'processor':>11s}")
    for name, seconds in sorted(work.items(), key=lambda item: -item[1])[: given.slowest]:
        print(f"{name:28s} {spent[name]:7.2f} s {seconds:9.2f} s {100 * seconds / all_work:5.1f} %")
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{given.events} events of {given.vehicles} vehicles, {given.trailers} trailers, {given.inspections} "
        f"inspections, {given.threads} threads: {whole:.1f} s by the clock, {all_work:.1f} s of the processor, "
        f"memory at most {peak_gb:.1f} GB, {filled_gb:.1f} GB of it to fill the store"
    )
    for figure, value, note in con.execute("select figure, value, note from model_quality where figure like 'weeks%'"
                                           ).fetchall():  # fmt: skip
        print(f"{figure}: {value:.0f} ({note})")


if __name__ == "__main__":
    main()
