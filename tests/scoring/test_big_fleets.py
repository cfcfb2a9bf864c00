"""What keeps big fleets in memory changes no result: slices of vehicles, dropped models, numbers in place of names."""

import random
import re
from datetime import timedelta
from typing import Any

import duckdb
import pytest
from observed import moment
from scoring_fleet import DAY, Fleet

from fleetbrake.core.tables import TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT, INDICATOR_PRIORS
from fleetbrake.scoring.run import score


def mixed_fleet(seed: int = 3) -> Fleet:
    """Nine trucks over forty days with levels, hits, a repair, an unequal axle and trailers that only trips name."""
    rng, fleet = random.Random(seed), Fleet()
    for number in range(9):
        vehicle = f"truck {number}"
        fleet.vehicle(vehicle, depot=("North", "South")[number % 2])
        for day in range(40):
            trip_id = f"{vehicle} {day}"
            trailer = f"trailer {rng.randrange(3)}" if number < 4 else None
            fleet.add("trips", trip_id=trip_id, vehicle_id=vehicle, driver_id=f"driver {number}", trailer_ids=trailer,
                      started_at=moment(DAY + timedelta(days=day)), distance_km=80.0)  # fmt: skip
            for _ in range(2):
                fleet.event(vehicle, DAY + timedelta(days=day), wheels(rng, number == 1 and day > 20), trip_id=trip_id,
                            driver_id=f"driver {number}", effectiveness=0.01 * rng.lognormvariate(0, 0.1),
                            demand_kind="pressure", build_up_s=rng.uniform(0.2, 0.5), release_s=rng.uniform(0.2, 0.6),
                            friction_used=0.2, modulation=rng.random() < 0.1, braking_s=3.0)  # fmt: skip
    fleet.add("repairs", vehicle_id="truck 2", repaired_on=DAY + timedelta(days=15), wheel="1L", work="lining")
    return fleet


def wheels(rng: random.Random, weak: bool) -> dict[str, dict[str, Any]]:
    """Four wheels; of a weak one the left front slips half as much as the right one."""
    return {
        wheel: {
            "steady_slip": 0.02 * (0.5 if weak and wheel == "1L" else 1.0) * rng.uniform(0.9, 1.1),
            "released_slip": rng.gauss(0, 0.0005),
            "free_slip": rng.gauss(0, 0.0005),
            "dropout_s": 0.4 if rng.random() < 0.03 else 0.0,
        }
        for wheel in ("1L", "1R", "2L", "2R")
    }


def published(fleet: Fleet) -> dict[str, list[Any]]:
    con = fleet.connect()
    score(con, today=DAY + timedelta(days=60))
    return {name: sorted(con.execute(f"select * from {name}").fetchall(), key=repr) for name in TABLES}


@pytest.fixture(scope="module")
def whole() -> dict[str, list[Any]]:
    return published(mixed_fleet())


def test_slices_give_what_the_fleet_at_once_does(whole: dict[str, list[Any]], monkeypatch: pytest.MonkeyPatch) -> None:
    """A measure after the other, eight slices of vehicles. Means over a trip are rounded: equal to the last digit."""
    monkeypatch.setattr(models, "EVENTS_AT_ONCE", 0)
    monkeypatch.setattr(models, "EVENTS_A_SLICE", 100)
    assert published(mixed_fleet()) == whole
    assert len(whole["indicator_trips"]) > 50
    assert {row[2] for row in whole["indicators"]} >= {"side_imbalance", "wheel_speed_dropout", "slow_response"}


def test_models_dropped_early_were_of_no_more_use(whole: dict[str, list[Any]], monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that keeps every table publishes the same; every table is dropped by its last reader, none before."""
    dropped = models._last_read_by()
    monkeypatch.setattr(models, "_last_read_by", dict)
    assert published(mixed_fleet()) == whole
    order = (*models.MODELS, *models.CHECKS)
    for reader, names in dropped.items():
        for later in order[order.index(reader) + 1 :]:
            told = " ".join(line for line in models.sql_of(later).splitlines() if not line.lstrip().startswith("--"))
            if later not in models.VIEWS:
                assert not set(names) & set(re.findall(r"\w+", told)), (reader, later)
    assert {"stg_wheels", "int_axles", "stg_context", "int_trip_levels"} <= {
        n for names in dropped.values() for n in names
    }


def test_a_series_number_holds_its_vehicle_measure_and_wheel() -> None:
    con = duckdb.connect()
    models.load_parameters(con, DAY, DEFAULT)
    names = ["", *(f"{axle}{side}" for axle in range(1, 7) for side in "LR")]
    for vehicle in (1, 2, 1_000_000):
        for number, prior in enumerate(INDICATOR_PRIORS, start=1):
            found = con.execute(
                "select w, series_vehicle(s), series_measure(s), wheel_name(series_wheel(s)) "
                "from (select w, series_number(measure_number(?, ?), ?, wheel_number(w)) as s "
                "from (select unnest(?) as w))",
                [prior.indicator, prior.measure, vehicle, names],
            ).fetchall()
            assert sorted(found) == sorted((name, vehicle, number, name) for name in names)
