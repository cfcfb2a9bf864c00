"""How long planning takes and how good the plan is, on made-up fleets; asserts nothing.

    python tests/benchmarks/plan.py [--vehicles 1000] [--depots 10] [--seeds 1 2 3] [--cases loose tight short]

One line a fleet: time, visits with a day, statutory dates that cannot be kept, gap, gain of the plan and of the plain
one. ``loose`` has hours for everybody, ``tight`` about what the statutory and the urgent visits take, with roller
tester, inspectors and vehicles on the road limited too, ``short`` less than the statutory dates need. Scores,
priorities and dates are drawn; a quarter of the vehicles is flagged, one in fourteen due, one in a hundred overdue.
"""

import argparse
import time
from datetime import date, timedelta

import duckdb
import numpy as np
import pyarrow as pa

from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.planning.run import plan

AS_OF = date(2026, 3, 8)
#: Bay, roller and inspector hours a day for a hundred vehicles, and the share of them that stays on the road.
CASES = {"loose": (24.0, None, None, None), "tight": (10.0, 3.0, 7.0, 0.93), "short": (2.0, 1.0, 2.0, 0.95)}
PRIORITIES = ("before_next_trip", "this_week", "next_service", "watch", "no_sign", "too_little_evidence")
SHARES = (0.01, 0.08, 0.16, 0.15, 0.5, 0.1)


def made_store(vehicles: int, depots: int, seed: int, case: str) -> duckdb.DuckDBPyConnection:
    """The tables that planning reads, in memory."""
    con = duckdb.connect()
    tables = {name: [(c.name, c.type) for c in columns] for name, columns in TABLES.items()}
    for name, columns in (tables | REGISTERS).items():
        con.execute(f"create table {name} (" + ", ".join(f'"{c}" {t}' for c, t in columns) + ")")
    rng = np.random.default_rng(seed)
    priorities = rng.choice(PRIORITIES, vehicles, p=SHARES)
    order = sorted(range(vehicles), key=lambda i: (PRIORITIES.index(priorities[i]), i))
    rank = {i: place for place, i in enumerate(order, 1)}
    bad = {"before_next_trip": 0.9, "this_week": 0.6, "next_service": 0.3, "watch": 0.15, "no_sign": 0.03}
    health, register, dates = [], [], []
    for i in range(vehicles):
        name, depot = f"v{i:05d}", f"depot {i % depots}"
        chance = bad.get(priorities[i])
        score = None if chance is None else 100 * (1 - min(0.99, chance * rng.uniform(0.5, 1.5)))
        due = AS_OF + timedelta(days=int(rng.integers(-3, 365 - 180 * (i % 2))))
        health.append({"vehicle_id": name, "as_of": AS_OF, "rank": rank[i], "priority": priorities[i], "depot": depot,
                       "health_score": score, "leading_indicator": rng.choice(list(INDICATORS)), "reason": "a reason",
                       "suspect_wheel": "1L"})  # fmt: skip
        category = rng.choice(["N3", "N2", "M3", "O4", "N1"])
        register.append({"vehicle_id": name, "category": category, "depot": depot, "inspection_due_on": due})
        if i % 3 == 0:
            second = AS_OF + timedelta(days=int(rng.integers(1, 300)))
            dates.append({"vehicle_id": name, "kind": "brake test", "due_on": second, "bay_hours": 0.75})
    fill(con, "vehicle_health", health)
    fill(con, "vehicles", register)
    fill(con, "due_dates", dates)
    fill(con, "capacity", capacity(vehicles / depots, depots, case))
    return con


def capacity(size: float, depots: int, case: str) -> list[dict[str, object]]:
    """Register rows: Monday to Friday, and half a Saturday in every third depot."""
    bay, roller, inspector, road = CASES[case]
    rows = []
    for depot in range(depots):
        for day in range(1, 7 if depot % 3 == 0 else 6):
            part = size / 100 * (0.5 if day == 6 else 1.0)
            rows.append({
                "depot": f"depot {depot}", "weekday": str(day), "bay_hours": bay * part,
                "roller_hours": None if roller is None else roller * part,
                "inspector_hours": None if inspector is None else inspector * part,
                "min_on_road": None if road is None else int(size * road),
            })  # fmt: skip
    return rows


def fill(con: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, object]]) -> None:
    """Insert rows with the same keys."""
    columns = pa.table({name: [row[name] for row in rows] for name in rows[0]})
    con.register("rows_in", columns)
    con.execute(f"insert into {table} by name select * from rows_in")
    con.unregister("rows_in")


def main() -> None:
    """Print one line a fleet."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--vehicles", type=int, default=1000)
    asked.add_argument("--depots", type=int, default=10)
    asked.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    asked.add_argument("--cases", nargs="+", choices=list(CASES), default=list(CASES))
    asked.add_argument("--detail", action="store_true", help="one more line a depot")
    given = asked.parse_args()
    print("case   seed  clock   processor  visits  lost   worst gap       gain      plain    (gain/plain)")
    for case in given.cases:
        for seed in given.seeds:
            con = made_store(given.vehicles, given.depots, seed, case)
            begun, used = time.perf_counter(), time.process_time()
            visits = plan(con)
            clock, busy = time.perf_counter() - begun, time.process_time() - used
            lost, gap, gain, plain = con.execute(
                "select sum(dates_not_kept), max(gap), sum(gain), sum(plain_gain) from plan_summary"
            ).fetchone()
            words = f"{case:6s} {seed:4d} {clock:5.1f} s {busy:7.1f} s {visits:7d} {lost:5d} {gap:11.4%}"
            print(f"{words} {gain:10.1f} {plain:10.1f}   {gain / plain:8.3f}", flush=True)
            if given.detail:
                depots = con.execute("select depot, visits, dates_not_kept, gap, left(note, 90) from plan_summary")
                for row in depots.fetchall():
                    print("      ", *row)


if __name__ == "__main__":
    main()
