"""The columns that other programs are built on: a change here is a change of major version."""

import pytest

from fleetbrake.core.tables import TABLES

EDGES = {
    "events": (
        "event_id vehicle_id driver_id started_at samples sample_rate_hz wheel_rate_hz speed_rate_hz "
        "demand_rate_hz brake_source initial_speed_mps final_speed_mps braking_s braking_distance_m "
        "peak_decel_mps2 mean_decel_mps2 mfdd_mps2 brake_energy_kj hard_stop modulation modulation_cycles "
        "modulation_hz lockup lockup_s lockup_above_cutoff emergency_application friction_used surface "
    ),
    "event_wheels": (
        "event_id wheel peak_slip lockup_s lockup_onset_s lockup_onset_speed_mps slide_m modulation_cycles "
        "modulation_hz "
    ),
    "vehicle_health": (
        "vehicle_id as_of rank health_score score_low score_high priority events_used leading_indicator suspect_wheel "
    ),
    "indicators": ("vehicle_id as_of indicator wheel value expected deviation events_used first_seen_on "),
    "driver_style": (
        "driver_id as_of rank style_score score_low score_high distance_km hard_stops hard_stops_per_1000km "
        "adjusted_hard_stops_per_1000km "
    ),
    "inspection_plan": ("planned_on depot vehicle_id position reason due_on "),
    "ingest_log": ("path sha256 status rows events events_rejected reason loaded_at "),
}


@pytest.mark.parametrize("table", EDGES)
def test_shared_columns_are_the_published_edges(table: str) -> None:
    shared = [column.name for column in TABLES[table] if column.shared]
    assert shared == EDGES[table].split()
    names = [column.name for column in TABLES[table]]
    assert len(names) == len(set(names))
