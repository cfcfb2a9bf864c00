"""What inspections found against what stood before them: only scores from before, nothing known from that day on."""

from datetime import date, timedelta
from typing import Any

import duckdb
import pandas as pd
import pytest
from scoring_fleet import DAY, Fleet, only

from fleetbrake.core.tables import TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.run import score

INSPECTED = date(2026, 3, 20)
RUN_ON = date(2026, 3, 31)


def scored(fleet: Fleet, as_of: date, vehicle: str = "v1", **values: Any) -> None:
    """A row of ``predictions`` as a run on that day leaves it: by the recordings' own priority unless told."""
    own = values.pop("own_priority", "this_week")
    defaults = {"priority": own, "own_priority": own, "known_on": as_of, "rank": 1, "health_score": 20.0}
    defaults |= {"made_on": as_of, "fleet_vehicles": 2, "reported": False}
    named = {"leading_indicator": "brake_drag", "suspect_wheel": "1L"} if own != "no_sign" else {}
    fleet.add("predictions", vehicle_id=vehicle, as_of=as_of, **defaults | named | values)


def inspected(fleet: Fleet, found: bool | None, *rows: tuple[str | None, str | None, int | None], **at: Any) -> None:
    """An inspection of one or more rows (finding, wheel, severity), and what learning made of it."""
    vehicle, on = at.get("vehicle", "v1"), at.get("on", INSPECTED)
    name = f"{vehicle}-{on}"
    for number, (finding, wheel, severity) in enumerate(rows):
        fleet.add("inspections", inspection_id=f"{name}-{number}", vehicle_id=vehicle, inspected_on=on,
                  finding=finding, wheel=wheel, severity=severity)  # fmt: skip
    fleet.add("inspection_evidence", inspection_id=f"{name}-0", vehicle_id=vehicle, inspected_on=on, found=found,
              findings=len(rows))  # fmt: skip


def outcomes(fleet: Fleet, *, reverse: bool = False) -> list[dict[str, Any]]:
    """Rows of the model alone, on the tables as they stand; the day of the run itself scored nothing."""
    con = fleet.connect(reverse)
    models.load_parameters(con, RUN_ON, DEFAULT)
    con.execute("create temp table mart_vehicle_health as from vehicle_health limit 0")
    con.execute("insert into mart_vehicle_health (vehicle_id, as_of, known_on) values ('other', ?, ?)", [RUN_ON] * 2)
    models.give(con, "made", pd.DataFrame({"made_on": [RUN_ON]}))
    models.build(con, ("mart_predictions", "int_inspected", "mart_inspection_outcomes"))
    cursor = con.execute("from mart_inspection_outcomes")
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def one(fleet: Fleet) -> dict[str, Any]:
    (row,) = outcomes(fleet)
    return row


def test_the_newest_score_before_the_day_is_the_prediction() -> None:
    fleet = Fleet()
    for before, priority in ((9, "watch"), (2, "next_service"), (0, "this_week"), (-3, "before_next_trip")):
        scored(fleet, INSPECTED - timedelta(days=before), own_priority=priority)
    scored(fleet, INSPECTED - timedelta(days=2), "v2", rank=2)
    inspected(fleet, True, ("brake_drag", "1L", 2), ("other", None, 1))
    row = one(fleet)
    assert (row["predicted_as_of"], row["predicted_priority"]) == (INSPECTED - timedelta(days=2), "next_service")
    assert (row["fleet_vehicles"], row["predicted_rank"], row["predicted_score"]) == (2, 1, 20.0)
    assert (row["flagged"], row["known_before"], row["not_predicted"]) == (True, False, None)
    assert (row["found"], row["severity"], row["findings"]) == (True, 2, 2)
    assert (row["defects"], row["wheels"], row["right_indicator"], row["right_wheel"]) == (
        "brake_drag", "1L", True, True,
    )  # fmt: skip


def test_a_score_that_knows_what_was_written_on_that_day_or_later_is_no_prediction() -> None:
    """Recordings lag: a score as of the 15th that was made on the 25th has read what the 20th found."""
    fleet = Fleet()
    scored(fleet, INSPECTED - timedelta(days=5), known_on=INSPECTED + timedelta(days=5))
    scored(fleet, INSPECTED - timedelta(days=4), known_on=INSPECTED)
    scored(fleet, INSPECTED - timedelta(days=3), known_on=None)
    inspected(fleet, True, ("brake_drag", "1L", 2))
    row = one(fleet)
    assert row["predicted_as_of"] is None and row["flagged"] is None and row["known_before"] is None
    assert row["not_predicted"] == "no score from before it"
    scored(fleet, INSPECTED - timedelta(days=9))
    assert one(fleet)["predicted_as_of"] == INSPECTED - timedelta(days=9)


@pytest.mark.parametrize("touched", ["inspected", "repaired"])
def test_a_visit_in_between_makes_the_score_a_word_on_another_state(touched: str) -> None:
    fleet = Fleet()
    scored(fleet, INSPECTED - timedelta(days=5))
    inspected(fleet, False, ("none", None, 0))
    between = INSPECTED - timedelta(days=2)
    if touched == "repaired":
        fleet.add("repairs", vehicle_id="v1", repaired_on=between, work="lining")
    else:
        inspected(fleet, True, ("brake_drag", "1L", 2), on=between)
    row = outcomes(fleet)[-1]
    assert row["flagged"] is None and row["not_predicted"] == "no score since it was inspected or repaired before"
    scored(fleet, between)
    assert outcomes(fleet)[-1]["flagged"] is True


def test_what_people_knew_already_is_told_apart_from_what_the_recordings_say() -> None:
    fleet = Fleet()
    scored(fleet, DAY, own_priority="no_sign", priority="this_week", reported=True)
    scored(fleet, DAY, "v2", own_priority="watch", reported=True)
    scored(fleet, DAY, "v3", own_priority="this_week", priority="before_next_trip", reported=True)
    scored(fleet, DAY, "v4", own_priority="watch")
    scored(fleet, DAY, "v5", own_priority="too_little_evidence", leading_indicator=None, suspect_wheel=None)
    for vehicle in ("v1", "v2", "v3", "v4", "v5"):
        inspected(fleet, True, ("brake_drag", "1L", 2), vehicle=vehicle)
    told = {row["vehicle_id"]: (row["flagged"], row["known_before"]) for row in outcomes(fleet)}
    # on watch for a lit lamp or a minor report: somebody knew, whatever it asked for
    assert told == {
        "v1": (False, True), "v2": (False, True), "v3": (True, True), "v4": (False, False), "v5": (False, False),
    }  # fmt: skip


def test_a_score_made_after_the_finding_was_on_file_is_no_prediction() -> None:
    """``score --as-of`` a past day, run later: worked out afterwards, even if it reads nothing from after that day."""
    fleet = Fleet()
    scored(fleet, INSPECTED - timedelta(days=1), made_on=INSPECTED)
    inspected(fleet, True, ("brake_drag", "1L", 2))
    row = one(fleet)
    assert (row["made_before"], row["flagged"], row["predicted_made_on"]) == (False, True, INSPECTED)
    scored(fleet, INSPECTED - timedelta(days=9), own_priority="watch")
    row = one(fleet)
    assert (row["made_before"], row["flagged"]) == (True, False), "what stood at the time, though it is older"


def test_what_stood_is_kept_when_its_day_is_scored_again() -> None:
    fleet = Fleet()
    before = INSPECTED - timedelta(days=2)
    scored(fleet, before, own_priority="watch", made_on=before)
    scored(fleet, before, own_priority="no_sign", made_on=before + timedelta(days=1))
    scored(fleet, before, own_priority="this_week", made_on=INSPECTED + timedelta(days=3))
    inspected(fleet, True, ("brake_drag", "1L", 2))
    row = one(fleet)
    assert (row["predicted_priority"], row["made_before"]) == ("no_sign", True), "the last list before the day"
    assert outcomes(fleet, reverse=True) == [row]


def test_the_first_run_afterwards_is_told_whoever_scores_again() -> None:
    fleet = Fleet()
    for days, priority in ((5, "watch"), (1, "this_week")):
        scored(fleet, INSPECTED - timedelta(days=2), own_priority=priority, made_on=INSPECTED + timedelta(days=days))
    inspected(fleet, True, ("brake_drag", "1L", 2))
    assert one(fleet)["predicted_priority"] == "this_week"


def test_a_minor_finding_of_the_kind_named_is_an_outcome_of_its_own() -> None:
    fleet = Fleet()
    scored(fleet, DAY)
    scored(fleet, DAY, "v2")
    scored(fleet, DAY, "v3")
    inspected(fleet, False, ("brake_drag", "1L", 1), ("side_imbalance", "2R", 1))
    inspected(fleet, False, ("side_imbalance", "1L", 1), vehicle="v2")
    inspected(fleet, False, ("none", None, 0), vehicle="v3")
    told = {row["vehicle_id"]: (row["minor"], row["minor_wheels"], row["minor_same_kind"]) for row in outcomes(fleet)}
    assert told == {
        "v1": ("brake_drag+side_imbalance", "1L+2R", True), "v2": ("side_imbalance", "1L", False),
        "v3": (None, None, None),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "right_indicator", "right_wheel"),
    [
        ([("side_imbalance", "1L", 2)], False, True),
        ([("side_imbalance", "2R", 2), ("brake_drag", None, 3)], True, False),
        ([("brake_drag", "1L", 1), ("other", "2R", 2)], False, False),
        ([("brake_drag", None, 2)], True, None),
        ([(None, "1L", 2)], None, True),
        ([("something of another register", None, None)], False, None),
    ],
    ids=["wheel", "indicator", "minor ones do not count", "no wheel named", "no finding named", "unknown code"],
)
def test_right_indicator_and_wheel_rest_on_what_needs_repair(
    rows: list[tuple[str | None, str | None, int | None]], right_indicator: bool | None, right_wheel: bool | None
) -> None:
    fleet = Fleet()
    scored(fleet, DAY)
    inspected(fleet, True, *rows)
    row = one(fleet)
    assert (row["right_indicator"], row["right_wheel"]) == (right_indicator, right_wheel)


def test_neither_is_told_where_nothing_was_found_or_flagged() -> None:
    fleet = Fleet()
    scored(fleet, DAY)
    scored(fleet, DAY, "v2", own_priority="watch")
    inspected(fleet, False, ("brake_drag", "1L", 1))
    inspected(fleet, True, ("brake_drag", "1L", 2), vehicle="v2")
    inspected(fleet, None, ("none", None, 3), vehicle="v3")
    first, second, third = outcomes(fleet)
    assert (first["right_indicator"], first["right_wheel"], first["defects"], first["severity"]) == (
        None, None, None, 1,
    )  # fmt: skip
    assert (second["right_indicator"], second["right_wheel"], second["defects"]) == (None, None, "brake_drag")
    assert third["found"] is None and third["flagged"] is None
    assert outcomes(fleet, reverse=True) == [first, second, third], "the order of rows changes nothing"


def test_a_run_fills_the_table_and_one_of_an_older_day_leaves_later_inspections_in() -> None:
    fleet = Fleet()
    for number in range(20):
        fleet.vehicle(f"v{number:02d}")
        for offset in range(3):
            fleet.event(f"v{number:02d}", DAY + timedelta(days=offset))
    fleet.add("inspections", inspection_id="a", vehicle_id="v00", inspected_on=DAY + timedelta(days=2),
              finding="brake_drag", severity=2)  # fmt: skip
    con: duckdb.DuckDBPyConnection = fleet.connect()
    score(con, today=DAY + timedelta(days=2))
    row = only(con, "from inspection_outcomes")
    assert row["found"] is True and row["predicted_as_of"] is None, "the score of that very day is none before it"
    assert only(con, "select distinct known_on from vehicle_health")["known_on"] == DAY + timedelta(days=2)
    score(con, DAY + timedelta(days=1), today=DAY + timedelta(days=9))
    row = only(con, "from inspection_outcomes")
    assert (row["predicted_as_of"], row["made_before"]) == (DAY + timedelta(days=1), False)
    assert (row["predicted_priority"], row["flagged"]) == ("too_little_evidence", False)
    assert list(row) == [column.name for column in TABLES["inspection_outcomes"]]


def test_what_was_told_is_kept_by_day_of_computing_and_dropped_after_its_time() -> None:
    """Recordings lag: an inspection since the newest of them is judged too, by the list that stood."""
    fleet = Fleet()
    for number in range(20):
        fleet.vehicle(f"v{number:02d}")
        fleet.event(f"v{number:02d}", DAY)
    fleet.add("predictions", vehicle_id="v00", as_of=DAY - timedelta(days=500), made_on=DAY - timedelta(days=402))
    fleet.add("inspections", inspection_id="a", vehicle_id="v00", inspected_on=DAY + timedelta(days=5),
              finding="brake_drag", severity=2)  # fmt: skip
    con = fleet.connect()
    for today in (1, 1, 6):
        score(con, today=DAY + timedelta(days=today))
    made = con.execute(
        "select made_on, as_of, count(*), count(fleet_vehicles) from predictions group by all order by 1"
    )
    assert made.fetchall() == [(DAY + timedelta(days=day), DAY, 20, 20) for day in (1, 6)]
    row = only(con, "from inspection_outcomes")
    assert (row["predicted_as_of"], row["predicted_made_on"], row["made_before"]) == (
        DAY,
        DAY + timedelta(days=1),
        True,
    )
    assert (row["fleet_vehicles"], row["found"]) == (20, True)
    score(con, DAY, today=DAY + timedelta(days=9))
    assert only(con, "from inspection_outcomes")["made_before"] is True, "scoring that day again takes nothing back"
