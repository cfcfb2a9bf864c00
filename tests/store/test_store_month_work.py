"""A month's brake work by vehicle and its events by surface: sums of plain SQL, NULL where nothing was observed."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fleetbrake.store.database import reading, rebuilding, replace_table
from fleetbrake.store.publish import sum_up, sum_up_missing

START = datetime(2026, 1, 1, 8, tzinfo=UTC)
CLASSES = ("hard_stop", "modulation", "lockup_above_cutoff")
SUMS = {"hard_stop": "hard_stops", "modulation": "modulation", "lockup_above_cutoff": "lockups_above_cutoff"}


def _rows(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql).fetchall()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two months of seven vehicles; of some a class, a mass or the kilometres are not known."""
    rng = np.random.default_rng(11)
    vehicles = [{"vehicle_id": f"v{n}", "depot": ("A", "B", None)[n % 3], "category": "N3"} for n in range(6)]
    events = []
    for n in range(600):
        unit = int(rng.integers(0, 7))
        of = vehicles[unit] if unit < 6 else {"vehicle_id": "stranger", "depot": None, "category": None}
        told = {name: None if unit == k or rng.random() < 0.1 else bool(rng.random() < 0.2)
                for k, name in enumerate(CLASSES)}  # fmt: skip
        work = float(rng.lognormal(5, 1))
        known = rng.random(3) < (0.9, 0.7, 0.2)
        events.append(
            {
                "event_id": f"e{n}", "started_at": START + timedelta(days=float(rng.random() * 58)), **of, **told,
                "surface": ("dry_paved", "loose", "unknown", None)[int(rng.integers(4))],
                "not_braking": "standstill" if n % 50 == 0 else None,
                "brake_energy_kj": work if known[0] else None,
                "friction_brake_kj": 0.8 * work if known[1] else None,
                "friction_brake_se_kj": 0.05 * work if known[1] else None,
                "regen_kj": 0.1 * work if known[2] else None,
            }
        )  # fmt: skip
    trips = [
        {"trip_id": f"t{n}", "vehicle_id": f"v{n % 5}", "started_at": START + timedelta(days=n),
         "ended_at": START + timedelta(days=n, hours=2), "distance_km": float(rng.uniform(20, 200))}
        for n in range(58)
    ]  # fmt: skip
    trips.append({**trips[0], "trip_id": "only-trips", "vehicle_id": "v9"})
    folder = tmp_path_factory.mktemp("worked")
    with rebuilding(folder) as con:
        for name, rows in (("vehicles", vehicles), ("events", events), ("trips", trips)):
            replace_table(con, name, pd.DataFrame(rows))
        sum_up(con)
    return folder


def test_work_and_distance_are_those_of_plain_sql(store: Path) -> None:
    told = _rows(
        store,
        "SELECT month, vehicle_id, events, not_braking, energy_events, brake_energy_kj, friction_events, "
        "friction_brake_kj, friction_brake_se_kj, regen_events, regen_kj FROM month_work WHERE events > 0 ORDER BY ALL",
    )
    plain = _rows(
        store,
        "SELECT strftime(started_at, '%Y-%m') AS m, vehicle_id, count(*), count(not_braking), count(brake_energy_kj), "
        "sum(brake_energy_kj), count(friction_brake_kj), sum(friction_brake_kj), sum(friction_brake_se_kj), "
        "count(regen_kj), sum(regen_kj) FROM events GROUP BY 1, 2 ORDER BY 1, 2",
    )
    assert len(told) == len(plain) == 14
    for ours, theirs in zip(told, plain, strict=True):
        assert ours[:2] == theirs[:2]
        assert ours[2:] == pytest.approx(theirs[2:], rel=1e-12), "the order of adding may differ in the last digit"
    km = "SELECT sum(distance_km) FROM"
    assert _rows(store, f"{km} month_work")[0] == pytest.approx(_rows(store, f"{km} trips")[0], rel=1e-12)
    (only_trips,) = _rows(
        store, "SELECT events, energy_events, brake_energy_kj FROM month_work WHERE vehicle_id = 'v9'"
    )
    assert only_trips == (0, 0, None), "no event: nothing is known of its work"


@pytest.mark.parametrize("name", CLASSES)
def test_surfaces_add_up_to_the_months_figures(store: Path, name: str) -> None:
    of = SUMS[name]
    sums = ", ".join(f"sum({column})" for column in ("events", of, f"{of}_unknown", f"{of}_on_km"))
    parts = "month, depot, category"
    told = _rows(store, f"SELECT {parts}, {sums} FROM month_surfaces GROUP BY ALL ORDER BY ALL")
    whole = _rows(store, f"SELECT {parts}, {sums} FROM month_figures WHERE events > 0 GROUP BY ALL ORDER BY ALL")
    assert told == whole
    plain = _rows(
        store,
        f"SELECT nullif(surface, 'unknown'), count(*), count_if({name}), count_if({name} IS NULL) FROM events "
        "GROUP BY 1 ORDER BY 1",
    )
    by_surface = f"SELECT surface, sum(events), sum({of}), sum({of}_unknown) FROM month_surfaces GROUP BY 1 ORDER BY 1"
    assert _rows(store, by_surface) == plain


def test_a_store_of_an_earlier_version_is_summed_up_once(tmp_path: Path, store: Path) -> None:
    before = _rows(store, "FROM month_work")
    old = tmp_path / "old"
    old.mkdir()
    (old / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    with rebuilding(old) as con:
        con.execute("DROP TABLE month_work")
        con.execute("DROP TABLE month_surfaces")
    with rebuilding(old) as con:
        sum_up_missing(con)
    assert _rows(old, "FROM month_work") == before
    with rebuilding(old) as con:  # nothing is missing: nothing is done
        con.execute("DELETE FROM month_work WHERE vehicle_id = 'v9'")
        sum_up_missing(con)
    assert len(_rows(old, "FROM month_work")) == len(before) - 1
    with rebuilding(tmp_path / "empty") as con:
        sum_up_missing(con)
        assert con.execute("SELECT count(*) FROM month_work").fetchall() == [(0,)]
