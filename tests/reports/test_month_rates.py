"""Rates of a month's report against plain SQL on the store and SciPy's own intervals; surfaces add up to the fleet."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from builders import MONTH
from scipy import stats
from statsmodels.stats.rates import confint_poisson

from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.reports.monthly.month_data import period
from fleetbrake.reports.monthly.month_rates import RATE_MEASURES, fleet_months, month_rates, months_up_to
from fleetbrake.reports.source import frame
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.publish import sum_up

CLASS = {"hard_stops": "hard_stop", "modulation": "modulation", "lockups_above_cutoff": "lockup_above_cutoff"}


def _event(number: int, vehicle: int, at: datetime, rng: np.random.Generator) -> dict[str, Any]:
    told = {name: None if rng.random() < 0.1 else bool(rng.random() < 0.2) for name in CLASS.values()}
    surface = ("dry_paved", "loose", "unknown", None)[int(rng.integers(4))]
    return {"event_id": f"e{number}", "vehicle_id": f"v{vehicle}", "started_at": at, "surface": surface, **told}


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """November and January with events, December with trips only; v0 has no trips, the lockups of v1 cannot be seen."""
    rng = np.random.default_rng(5)
    vehicles = [
        {"vehicle_id": f"v{n}", "depot": ("North", "South", None)[n % 3], "category": ("M3", "N1")[n % 2]}
        for n in range(7)
    ]
    events, trips = [], []
    for number in range(300):
        unit, begun = int(rng.integers(0, 7)), datetime(2025, 11, 1, tzinfo=UTC)
        begun = begun if number < 100 else datetime(2026, 1, 1, tzinfo=UTC)
        row = _event(number, unit, begun + timedelta(days=float(rng.random() * 29)), rng)
        if unit == 1:
            row["lockup_above_cutoff"] = None
        events.append(row | {k: vehicles[unit][k] for k in ("depot", "category")})
    for number in range(120):
        begun = datetime(2025, 11, 1, tzinfo=UTC) + timedelta(days=number % 90, hours=number % 7)
        ended, km = begun + timedelta(minutes=50), float(rng.uniform(10, 90))
        trips.append({"trip_id": f"t{number}", "vehicle_id": f"v{1 + number % 6}", "started_at": begun,
                      "ended_at": ended, "distance_km": km})  # fmt: skip
    folder = tmp_path_factory.mktemp("driven")
    with rebuilding(folder) as con:
        for name, rows in (("vehicles", vehicles), ("events", events), ("trips", trips)):
            replace_table(con, name, pd.DataFrame(rows))
        sum_up(con)
    return folder


def _plain(store: Path, measure: str, month: str) -> dict[str, Any]:
    """Counts and observed kilometres of the fleet by a query written without the product's."""
    name = CLASS[measure]
    return (
        frame(
            store,
            f"""
            WITH unit AS (
                SELECT vehicle_id, count(*) AS n, count({name}) AS told, count_if({name}) AS hits
                FROM events WHERE strftime(started_at, '%Y-%m') = ? GROUP BY 1),
            road AS (
                SELECT vehicle_id, sum(distance_km) AS km FROM trips WHERE strftime(started_at, '%Y-%m') = ? GROUP BY 1)
            SELECT count(*) AS vehicles, sum(n) AS events, sum(n - told) AS not_observed, sum(hits) AS counted,
                   sum(hits) FILTER (km * told > 0) AS rate_counted, sum(km * told / n) AS observed_km
            FROM unit LEFT JOIN road USING (vehicle_id)
            """,
            [month, month],
        )
        .astype(float)
        .iloc[0]
        .to_dict()
    )


@pytest.mark.parametrize("measure", RATE_MEASURES)
def test_the_months_of_the_fleet_are_those_of_plain_sql_and_scipy(driven: Path, measure: str) -> None:
    table = fleet_months(driven, period(MONTH)).to_pylist()
    assert [row["month"] for row in table if row["measure"] == measure] == months_up_to(period(MONTH))
    for row in table:
        if row["measure"] != measure or row["month"] not in ("2025-11", MONTH):
            continue
        plain = _plain(driven, measure, row["month"])
        told = {name: row[name] for name in plain}
        assert told == pytest.approx(plain, rel=1e-12), "the same sums, added in another order"
        count, km = row["rate_counted"], row["observed_km"]
        low, high = confint_poisson(count, 1.0, method="exact-c", alpha=0.10)
        exact = (stats.chi2.ppf(0.05, 2 * count) / 2, stats.chi2.ppf(0.95, 2 * count + 2) / 2)
        assert (low, high) == pytest.approx(exact, rel=1e-9)
        ends = (row["rate_low_per_1000km"], row["rate_per_1000km"], row["rate_high_per_1000km"])
        assert ends == pytest.approx((low * 1000 / km, count * 1000 / km, high * 1000 / km), rel=1e-9)


def test_a_month_without_recordings_is_null_and_never_zero(driven: Path) -> None:
    by_month = {(row["month"], row["measure"]): row for row in fleet_months(driven, period(MONTH)).to_pylist()}
    assert len(by_month) == 36
    for month in ("2025-12", "2025-02"):  # trips without an event; nothing at all
        for measure in RATE_MEASURES:
            row = dict(by_month[month, measure])
            del row["month"], row["measure"]
            assert set(row.values()) == {None}


def test_what_nothing_could_show_has_no_count_and_no_rate(driven: Path, tmp_path: Path) -> None:
    blind = tmp_path / "blind"
    blind.mkdir()
    (blind / "fleet.duckdb").write_bytes((driven / "fleet.duckdb").read_bytes())
    with rebuilding(blind) as con:
        con.execute("UPDATE events SET modulation = NULL")
        con.execute("DELETE FROM trips")
        sum_up(con)
    rows = {row["measure"]: row for row in month_rates(blind, period(MONTH)).to_pylist() if row["dimension"] == "fleet"}
    unseen, counted = rows["modulation"], rows["hard_stops"]
    assert unseen["not_observed"] == unseen["events"] > 0 and unseen["counted"] is None
    assert counted["counted"] > 0, "without trips there are counts"
    for row in (unseen, counted):
        named = ("rate_counted", "observed_km", "rate_per_1000km", "rate_low_per_1000km", "rate_high_per_1000km")
        assert [row[name] for name in named] == [None] * 5


@pytest.mark.parametrize("measure", RATE_MEASURES)
def test_parts_add_up_to_the_fleet(driven: Path, measure: str) -> None:
    rows = [row for row in month_rates(driven, period(MONTH)).to_pylist() if row["measure"] == measure]
    fleet = next(row for row in rows if row["dimension"] == "fleet")
    for dimension in ("depot", "category", "surface"):
        parts = [row for row in rows if row["dimension"] == dimension]
        assert len(parts) > 1 and len({row["part"] for row in parts}) == len(parts)
        for name in ("events", "not_observed", "counted", "rate_counted"):
            assert sum(row[name] for row in parts) == fleet[name], (dimension, name)
        if dimension == "surface":
            assert {row["observed_km"] for row in parts} == {fleet["observed_km"]}
            rates = sum(row["rate_per_1000km"] for row in parts)
            assert rates == pytest.approx(fleet["rate_per_1000km"], rel=1e-12), "rounding of the last digit"
        else:
            kilometres = sum(row["observed_km"] for row in parts)
            assert kilometres == pytest.approx(fleet["observed_km"], rel=1e-12)
    assert [row["part"] for row in rows if row["dimension"] == "depot"] == ["North", "South", None]


def test_the_tables_have_the_declared_columns_and_are_empty_for_a_month_of_nothing(driven: Path) -> None:
    empty = month_rates(driven, period("2024-05"))
    assert empty.num_rows == 0
    for name, table in (("month_rates", empty), ("fleet_months", fleet_months(driven, period("2024-05")))):
        assert table.column_names == [column.name for column in REPORT_TABLES[name]]
