"""What is no brake application is in no figure of a month's report, and is counted apart; as on the page."""

from pathlib import Path

import pytest
from builders import MONTH

from fleetbrake.reports import month_reads
from fleetbrake.reports.monthly.month_data import month_figures, period
from fleetbrake.reports.monthly.month_rates import fleet_months, month_rates
from fleetbrake.store.database import rebuilding
from fleetbrake.store.publish import sum_up

OTHERS = 4


@pytest.fixture(scope="module")
def standing(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four of the month's events were recorded at a standstill."""
    folder = tmp_path_factory.mktemp("standing")
    (folder / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    with rebuilding(folder) as con:
        con.execute(
            "UPDATE events SET not_braking = 'standstill', hard_stop = NULL, modulation = NULL, lockup = NULL, "
            "lockup_above_cutoff = NULL WHERE event_id IN (SELECT event_id FROM events ORDER BY event_id LIMIT ?)",
            [OTHERS],
        )
        sum_up(con)
    return folder


def test_figures_and_the_page_count_the_same_applications(store: Path, standing: Path) -> None:
    figures, page = month_figures(standing, MONTH), month_reads.sums(standing, MONTH)
    assert (figures.events, figures.not_braking) == (month_figures(store, MONTH).events - OTHERS, OTHERS)
    assert figures.events == page.events - page.not_braking
    unseen = (figures.hard_stop_unknown, figures.modulation_unknown, figures.lockup_unknown)
    said = month_reads.unobserved(page)
    named = ", ".join(f"{n} in {v}" for n, v in zip(("hard stop", "modulation", "lockup"), unseen, strict=True))
    assert said.startswith(f"Could not be observed: {named}, ")
    assert said.endswith(
        f" of {figures.events} brake applications; 4 more events are no brake applications (standstill, test bench, "
        "reversing)."
    )


def test_months_and_parts_count_them_apart(standing: Path) -> None:
    figures = month_figures(standing, MONTH)
    unseen = {"hard_stops": figures.hard_stop_unknown, "modulation": figures.modulation_unknown}
    months = [row for row in fleet_months(standing, period(MONTH)).to_pylist() if row["month"] == MONTH]
    rates = month_rates(standing, period(MONTH)).to_pylist()
    for row in (*months, *(row for row in rates if row["dimension"] == "fleet")):
        assert (row["events"], row["not_braking"]) == (figures.events, OTHERS)
        assert row["not_observed"] == unseen.get(row["measure"], row["not_observed"])
    for dimension in ("depot", "category", "surface"):
        parts = [row for row in rates if row["dimension"] == dimension and row["measure"] == "modulation"]
        assert sum(row["events"] for row in parts) == figures.events
        assert sum(row["not_observed"] for row in parts) == figures.modulation_unknown
    page = month_reads.trend(standing, MONTH, "modulation").iloc[-1]
    assert (page["events"], page["unknown"]) == (figures.events, figures.modulation_unknown)
