"""Which unit of a combination is weak: the model against plain loops over every pair, and the most telling event."""

from itertools import product
from statistics import median

import duckdb
import numpy as np
import pandas as pd
import pytest

from fleetbrake.scoring import models

WEIGHT = 2.0
Row = tuple[str, str, str, str, float, int]


def made(seed: int, combinations: int, tractors: int, trailers: int) -> list[Row]:
    """Event, towing unit, trailers (one or two), way, x, day; x often equal, so that equal ones are met too."""
    rng = np.random.default_rng(seed)
    rows: list[Row] = []
    for i in range(combinations):
        towed = rng.choice(trailers, size=rng.choice([1, 1, min(2, trailers)]), replace=False)
        x = float(rng.choice([0.0, 0.1, -0.2, round(rng.normal(0, 0.2), 3)]))
        towing, way = f"T{rng.integers(tractors)}", f"way{rng.integers(2)}"
        rows.append((f"e{i}", towing, "+".join(f"O{t}" for t in towed), way, x, int(rng.integers(5))))
    return rows


def by_model(rows: list[Row]) -> list[tuple[object, ...]]:
    con = duckdb.connect()
    names = ["event_id", "vehicle_id", "pairing", "way", "x", "on_day"]
    models.give(con, "int_effectiveness_level", pd.DataFrame(rows, columns=names).assign(towing=True))
    models.give(con, "priors", pd.DataFrame({"pairing_weight": [WEIGHT]}))
    return con.execute(f"select * from ({models.sql_of('int_pairings')}) order by 1, 2").fetchall()


def by_loops(rows: list[Row]) -> list[tuple[object, ...]]:
    """Every unit against every other one, as the header of the model says it."""
    middle = {way: median(r[4] for r in rows if r[3] == way) for way in {r[3] for r in rows}}
    seen: dict[tuple[str, str], list[tuple[float, int]]] = {}
    for _, towing, pairing, way, x, day in rows:
        members = [towing, *pairing.split("+")]
        for unit, other in product(members, members):
            if unit != other:
                seen.setdefault((unit, other), []).append((x - middle[way], day))
    off = {pair: median(o for o, _ in events) for pair, events in seen.items()}
    found: list[tuple[object, ...]] = []
    for (unit, other), events in sorted(seen.items()):
        shown = sorted((o for (u, t), o in off.items() if t == other and u != unit), reverse=True)
        upper = shown[(len(shown) + 1) // 2 - 1] if shown else 0.0
        explained = min(0.0, upper) * len(shown) / (len(shown) + WEIGHT)
        met = sum(u == unit for u, _ in off), sum(u == other for u, _ in off)
        found.append((unit, other, len(events), len({day for _, day in events}), *met, explained))
    return found


@pytest.mark.parametrize(("combinations", "tractors", "trailers"), [(3, 1, 1), (9, 2, 3), (60, 5, 4), (200, 6, 9)])
@pytest.mark.parametrize("seed", [1, 2])
def test_what_the_other_unit_explains_is_as_plain_loops_find_it(
    seed: int, combinations: int, tractors: int, trailers: int
) -> None:
    rows = made(seed, combinations, tractors, trailers)
    found, expected = by_model(rows), by_loops(rows)
    assert [row[:6] for row in found] == [row[:6] for row in expected]
    # differences of doubles only
    assert [row[6] for row in found] == pytest.approx([row[6] for row in expected], abs=1e-12)


@pytest.mark.parametrize(("sign", "expected"), [(1, "high-late"), (-1, "low")])
def test_the_event_named_for_a_trip_is_the_worst_and_of_equals_the_newest(sign: int, expected: str) -> None:
    rows = [("high-early", 1, 0.5), ("low", 2, -0.7), ("high-late", 3, 0.5), ("between", 4, 0.1)]
    for order in (rows, rows[::-1]):
        con = duckdb.connect()
        observations = pd.DataFrame(order, columns=["name", "event", "x"]).assign(
            series=1 << 16 | 1 << 8, cluster=1, stood=False, peer_group="",
            typical=0.0, driver=0, area=1, condition=0, on_day=1,
        )  # fmt: skip
        models.give(con, "int_level_observations", observations)
        signs = pd.DataFrame({"number": [1], "worse_sign": [sign]})
        models.give(con, "indicator_priors", signs)
        for macro in models.MACROS:
            con.execute(f"create temp macro {macro}")
        told = con.execute(f"select telling from ({models.sql_of('int_trip_levels')})").fetchall()
        assert told == [(next(number for name, number, _ in rows if name == expected),)]
