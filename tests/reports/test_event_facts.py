"""Figures of an event as text: units, NULL and why, what goes with an event that is no brake application."""

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from builders import PLAIN

from fleetbrake.core.event_tables import EVENTS
from fleetbrake.reports import look, reads
from fleetbrake.reports.event_facts import _ASKED, event_facts, likelihood, neighbours, reasons
from fleetbrake.reports.measures import METRIC, US


def _row(**known: Any) -> dict[str, Any]:
    return {column.name: None for column in EVENTS} | known


def test_every_fact_names_a_column_of_the_table() -> None:
    assert {fact.column for fact in _ASKED} <= {column.name for column in EVENTS}


def test_nothing_observed_is_all_dashes_with_a_reason_each() -> None:
    for fact in event_facts(_row(), METRIC, {}):
        if fact.name == "Rates: rows / wheels / speed / demand":
            assert fact.text == "– / – / – / – Hz"
            continue
        assert fact.text == look.MISSING, fact.name
        assert fact.why, fact.name


def test_figures_have_units_and_errors() -> None:
    row = _row(
        initial_speed_mps=20.0, braking_distance_m=40.0, braking_distance_se_m=0.5, gross_mass_kg=1000.0, grade=0.031,
        air_temp_c=20.0, modulation=False, modulation_cycles=0, surface="wet_paved", surface_probability=0.9,
        demand_kind="pressure", demand_peak=700.0,
    )  # fmt: skip
    metric = {fact.name: fact.text for fact in event_facts(row, METRIC, {})}
    assert metric["Initial speed"] == "72.0 km/h" and metric["Braking distance"] == "40.0 ± 0.5 m"
    assert metric["Mass"] == "1,000 kg" and metric["Grade (rise over run)"] == "3.1 %"
    assert metric["Surface"] == "wet paved (likelihood 90 %)"
    assert metric["Demand read from, greatest"] == "pressure, 700 kPa"
    assert metric["Wheels that modulated"] == "none"
    us = {fact.name: fact.text for fact in event_facts(row, US, {})}
    # 20 m/s over 0.44704, 40 m over 0.3048, 1000 kg over 0.45359237, 20 C times 9/5 plus 32 (computed)
    assert us["Initial speed"] == "44.7 mph" and us["Braking distance"] == "131.2 ± 1.6 ft"
    assert us["Mass"] == "2,205 lb" and us["Air temperature"] == "68 °F"


def test_a_peak_that_the_rate_hides_is_told_as_a_bound() -> None:
    facts = event_facts(_row(peak_decel_at_least_mps2=3.2), METRIC, {})
    (peak,) = [fact for fact in facts if fact.name.startswith("Peak deceleration")]
    assert peak.text == "at least 3.20 m/s²" and not peak.why


def test_reasons_come_from_observability() -> None:
    table = pd.DataFrame(
        {"subject": ["mfdd_mps2"], "channels": ["speed_mps"], "least_rate_hz": [5.0], "otherwise_null": ["no stop"]}
    )
    (fact,) = [f for f in event_facts(_row(), METRIC, reasons(table)) if f.name.startswith("Mean fully")]
    assert fact.why == "needs speed_mps at 5 Hz or more; missing where: no stop"


def test_what_is_no_brake_application_tells_only_what_it_can() -> None:
    names = {fact.name for fact in event_facts(_row(not_braking="standstill"), METRIC, {})}
    assert "Initial speed" in names and "Peak deceleration (0.2 s mean)" not in names and "Surface" not in names


def test_neighbours_follow_time_and_end_at_both_ends(store: Path) -> None:
    rows = reads.frame(
        store, "SELECT event_id FROM events WHERE vehicle_id = ? ORDER BY started_at, event_id", [PLAIN.vehicles[0]]
    )["event_id"].tolist()
    for place in (0, len(rows) // 2, len(rows) - 1):
        row = reads.event(store, rows[place])
        assert row is not None
        before = rows[place - 1] if place else None
        after = rows[place + 1] if place + 1 < len(rows) else None
        assert neighbours(store, row) == (before, after)
    assert neighbours(store, _row(event_id="x")) == (None, None)


@pytest.mark.parametrize("kind", ["hostile_store"])
def test_neighbours_of_hostile_ids(kind: str, request: pytest.FixtureRequest) -> None:
    store = request.getfixturevalue(kind)
    found = reads.notable_events(store)["event_id"].iloc[0]
    row = reads.event(store, found)
    assert row is not None and any(neighbours(store, row))


def test_a_likelihood_is_never_a_certainty() -> None:
    assert likelihood(0.998) == " (likelihood over 99 %)" and likelihood(0.61) == " (likelihood 61 %)"
    assert likelihood(None) == ""
