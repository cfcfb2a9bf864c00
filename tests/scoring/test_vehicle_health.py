"""The ranking: one place for every vehicle, honest about little evidence, the same whatever the order of the rows."""

import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from a_few import a_few
from driver_fleet import braked, usual_fleet
from judged import DRIVERS, LATE, VEHICLES, judge_drivers, judge_vehicles
from scoring_fleet import DAY, Fleet, only

from fleetbrake.core.errors import StoreError
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.run import score

TABLES = ("vehicle_health", "indicators", "driver_style")


def small_fleet(seed: int = 1, vehicles: int = 8, between: float = 0.0) -> Fleet:
    """Sound vehicles (they differ by ``between``) with 25 applications each, trips and drivers."""
    rng = random.Random(seed)
    fleet = Fleet()
    for number in range(vehicles):
        vehicle, own = f"v{number:02d}", rng.gauss(0, between)
        fleet.vehicle(vehicle)
        for i in range(25):
            slips = {w: {"steady_slip": 0.02 * (1 + rng.gauss(0, 0.1)), "dropout_s": 0.0} for w in ("1L", "1R")}
            effectiveness = 0.01 * (1 + own) * rng.lognormvariate(0, 0.15)
            fleet.event(
                vehicle, DAY + timedelta(days=i), slips, demand_kind="pressure", effectiveness=effectiveness,
                hard_stop=rng.random() < 0.3, driver_id=f"d{number % 3}", brake_source="driver",
            )  # fmt: skip
        start = datetime(2026, 3, 3, tzinfo=UTC)
        fleet.add("trips", trip_id=f"t{number}", vehicle_id=vehicle, driver_id=f"d{number % 3}", started_at=start,
                  distance_km=500.0 + 100 * number)  # fmt: skip
    return fleet


def contents(con: duckdb.DuckDBPyConnection) -> dict[str, list[Any]]:
    return {t: sorted(con.execute(f"select * from {t}").fetchall(), key=repr) for t in TABLES}


@pytest.fixture(scope="module")
def plain() -> duckdb.DuckDBPyConnection:
    """The small fleet, scored whole: to be read only."""
    con = small_fleet().connect()
    score(con, today=LATE)
    return con


HOSTILE = "'; drop table events; --"


@pytest.fixture(scope="module")
def mixed() -> duckdb.DuckDBPyConnection:
    """The small fleet and one of each that is unlike it, scored whole: to be read only."""
    fleet = small_fleet()
    events = {
        "spare": (7, 0.004),
        "weak": (25, 0.005),
        "blind": (25, 0.01),
        "a_weak": (60, 0.004),
        "z_weaker": (60, 0.003),
    }
    for vehicle, (count, effectiveness) in events.items():  # of the spare one, one less than the least
        fleet.vehicle(vehicle)
        for i in range(count):
            fleet.event(vehicle, DAY + timedelta(days=i % 25), demand_kind="pressure", effectiveness=effectiveness)
    fleet.vehicle("trailer", category="O4")
    fleet.event("stranger")
    for _ in range(9):  # a logger that dates everything in the future
        fleet.event("ahead", date(2100, 1, 1), demand_kind="pressure", effectiveness=0.01)
    fleet.vehicle(HOSTILE, depot=HOSTILE)
    fleet.event(HOSTILE, driver_id=HOSTILE)
    fleet.vehicle("reported")
    fleet.add("defect_reports", vehicle_id="reported", reported_at=datetime(2026, 3, 10, tzinfo=UTC), severity=3)
    for vehicle, then in (("v01", None), ("v02", False)):
        fleet.event(vehicle, DAY + timedelta(days=20), abs_warning_lamp=True)
        fleet.event(vehicle, DAY + timedelta(days=21), abs_warning_lamp=then)
    con = fleet.connect()
    score(con, today=LATE)
    return con


def of(con: duckdb.DuckDBPyConnection, vehicle: str) -> dict[str, Any]:
    return only(con, "select * from vehicle_health where vehicle_id = ?", vehicle)


def test_each_half_of_a_run_publishes_what_the_whole_does() -> None:
    """What most tests of vehicles and of drivers rest on; of the drivers' fleet no vehicle is flagged."""
    weak, hard = small_fleet(), usual_fleet()
    weak.vehicle("weak")
    for i in range(25):
        weak.event("weak", DAY + timedelta(days=i), demand_kind="pressure", effectiveness=0.005)
    for number in range(6):
        braked(hard, "hard", 4.0, jerk=6.0, late=0.4, day=number)
    for fleet, judge, tables in ((weak, judge_vehicles, VEHICLES), (hard, judge_drivers, DRIVERS)):
        half, whole = fleet.connect(), fleet.connect()
        judge(half)
        score(whole, today=LATE)
        for table in tables:
            rows = whole.execute(f"select * from {table} order by all").fetchall()
            assert rows and rows == half.execute(f"select * from {table} order by all").fetchall(), table


def test_every_vehicle_has_one_rank_also_unknown_and_silent_ones(mixed: duckdb.DuckDBPyConnection) -> None:
    rows = mixed.execute("select rank, vehicle_id from vehicle_health order by rank").fetchall()
    assert [rank for rank, _ in rows] == list(range(1, 19))
    assert {"trailer", "stranger", "reported", "ahead", HOSTILE} <= {vehicle for _, vehicle in rows}


def test_spare_vehicle_has_too_little_evidence_and_ranks_after_the_flagged(mixed: duckdb.DuckDBPyConnection) -> None:
    spare, weak = of(mixed, "spare"), of(mixed, "weak")
    assert spare["priority"] == "too_little_evidence"
    assert spare["health_score"] is spare["score_low"] is spare["score_high"] is spare["leading_indicator"] is None
    query = "select max(rank) from vehicle_health where priority <> 'too_little_evidence'"
    (known,) = mixed.execute(query).fetchone()
    assert weak["rank"] <= known < spare["rank"]  # the published order: too little evidence comes last
    assert weak["rank"] <= 4  # the weaker ones and what was reported dangerous come before it
    assert "7 usable events" in spare["reason"]


@pytest.mark.parametrize("seed", a_few([1, 2, 3], 0))
def test_nobody_is_flagged_for_normal_variation_between_vehicles(seed: int) -> None:
    con = small_fleet(seed, vehicles=30, between=0.08).connect()
    judge_vehicles(con)
    rows = con.execute("select priority from vehicle_health").fetchall()
    # 30 sound vehicles; "watch" begins at 10 %, so one or two of 30 may be watched, none more
    assert {priority for (priority,) in rows} <= {"no_sign", "watch"}
    assert sum(priority == "watch" for (priority,) in rows) <= 2


def test_unobserved_indicators_are_never_scored_as_good(mixed: duckdb.DuckDBPyConnection) -> None:
    """A vehicle seen through one channel stays under one seen through three, both without a fault."""
    blind, seen = of(mixed, "blind"), of(mixed, "v00")
    assert blind["health_score"] < seen["health_score"] < 100
    assert "could not be observed" in blind["reason"]


def test_order_of_rows_changes_nothing(plain: duckdb.DuckDBPyConnection) -> None:
    backward = small_fleet().connect(reverse=True)
    score(backward, today=LATE)
    assert contents(plain) == contents(backward)


def test_scoring_twice_is_equal_and_leaves_nothing_behind_and_a_failed_check_leaves_the_tables(
    plain: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    con = small_fleet().connect()
    before = con.execute("select count(*) from duckdb_tables() where temporary").fetchone()
    score(con, today=LATE)
    score(con, today=LATE)
    assert contents(con) == contents(plain)
    original = models.sql_of
    broken = {"check_driver_ranks": "select 1 as wrong"}
    monkeypatch.setattr(models, "sql_of", lambda name: broken.get(name) or original(name))
    with pytest.raises(StoreError, match="check_driver_ranks"):
        score(con, DAY)
    assert contents(con) == contents(plain)
    assert con.execute("select count(*) from duckdb_tables() where temporary").fetchone() == before


def test_as_of_is_the_newest_day_not_after_today_and_each_day_scored_keeps_its_own_rows() -> None:
    """Given two days scored, expect both sets as each alone would be, ranks 1 to n in each; again replaces one."""
    fleet = small_fleet()
    fleet.event("v00", date(2031, 1, 1))  # a logger with a wrong clock
    late, early = DAY + timedelta(days=24), DAY + timedelta(days=9)
    con, single = fleet.connect(), fleet.connect()
    assert score(single, early, today=LATE) == early
    assert score(con, today=LATE) == late
    alone = contents(con), contents(single)  # of each day where nothing else was scored
    for day in (early, late):
        score(con, day, today=LATE)
    for table, rows in contents(con).items():
        assert rows == sorted(alone[0][table] + alone[1][table], key=repr), table
    ranks = con.execute("select as_of, list(rank order by rank) from vehicle_health group by all order by 1").fetchall()
    assert ranks == [(early, list(range(1, 9))), (late, list(range(1, 9)))]
    used = "select as_of, events_used from vehicle_health where vehicle_id = 'v00' order by 1"
    assert con.execute(used).fetchall() == [(early, 10), (late, 25)]
    con.execute("delete from events where vehicle_id = 'v00'")
    score(con, early)
    assert con.execute(used).fetchall() == [(early, 0), (late, 25)]


def test_a_day_before_all_events_ranks_every_vehicle_as_too_little_evidence() -> None:
    """Given a day before every event, expect registered and recorded vehicles ranked, the reason naming the dates."""
    fleet = small_fleet(vehicles=3)
    fleet.event("stranger")
    fleet.vehicle("trailer", category="O4")
    con = fleet.connect()
    day = DAY - timedelta(days=400)
    assert score(con, day) == day
    found = con.execute("select vehicle_id, priority, reason from vehicle_health order by rank").fetchall()
    assert sorted(vehicle for vehicle, _, _ in found) == ["stranger", "trailer", "v00", "v01", "v02"]
    assert {priority for _, priority, _ in found} == {"too_little_evidence"}
    reasons = {vehicle: reason for vehicle, _, reason in found}
    assert reasons["v00"] == f"Too little evidence: no event up to {day}; dated later: 25."
    assert reasons["trailer"] == "Too little evidence: 0 usable events on 0 trips, 8 on 3 needed."


def test_events_after_today_only_are_told(mixed: duckdb.DuckDBPyConnection) -> None:
    """Given a vehicle whose logger dates everything in the future, expect it ranked last and the reason to say so."""
    row = of(mixed, "ahead")
    (known,) = mixed.execute("select count(*) from vehicle_health where events_used > 0").fetchone()
    assert (row["priority"], row["events_used"]) == ("too_little_evidence", 0) and row["rank"] > known
    assert f"no event up to {DAY + timedelta(days=24)}; dated later: 9" in row["reason"]


@pytest.mark.parametrize("day", [date.min, date.max])
def test_the_ends_of_the_calendar_are_days_like_others(day: date) -> None:
    """Given the first or last day there is, expect a ranking and no overflow of the look-back."""
    con = small_fleet(vehicles=2).connect()
    assert score(con, day) == day
    assert con.execute("select distinct priority from vehicle_health").fetchall() == [("too_little_evidence",)]


def test_an_open_report_is_never_beside_no_sign_and_changes_no_score(plain: duckdb.DuckDBPyConnection) -> None:
    """Given reports on sound vehicles, expect the priority that each severity asks for, the scores as they were."""
    asked = [(3, "before_next_trip"), (2, "next_service"), (None, "watch"), (1, "watch"), (0, "no_sign")]
    fleet = small_fleet()
    at = datetime(2026, 3, 10, tzinfo=UTC)
    for number, (severity, _) in enumerate(asked):
        vehicle = f"v{number:02d}"
        fleet.add("defect_reports", vehicle_id=vehicle, reported_at=at, text="pulls to the left", severity=severity)
        fleet.add("defect_reports", vehicle_id=vehicle, reported_at=at + timedelta(days=1), text="dirty", severity=0)
    fleet.add("defect_reports", vehicle_id="v05", reported_at=at, text="squeals", cleared_at=at + timedelta(days=1))
    fleet.event("v06", DAY + timedelta(days=24), abs_warning_lamp=True)
    after = fleet.connect()
    judge_vehicles(after)
    told = "in 25 events; 5 of the indicators could not be observed, but an open report of 2026-03-10: pulls"
    for number, (severity, priority) in enumerate(asked):
        vehicle = f"v{number:02d}"
        sound, row = of(plain, vehicle), of(after, vehicle)
        assert (sound["priority"], row["priority"]) == ("no_sign", priority), severity
        for column in ("score_low", "score_high", "leading_indicator"):
            assert row[column] == sound[column], (severity, column)
        assert (told in row["reason"]) == (priority != "no_sign"), severity
        assert (row["rank"] <= 5) == (priority != "no_sign"), severity  # before all of which nothing was reported
        assert priority in ("watch", "no_sign") or row["rank"] == number + 1, severity
    query = "select health_score from vehicle_health order by vehicle_id"
    assert plain.execute(query).fetchall() == after.execute(query).fetchall()
    notes = dict(after.execute("select vehicle_id, open_report from vehicle_health").fetchall())
    assert notes["v02"] == "pulls to the left"
    assert notes["v05"] is None
    assert "warning lamp" in notes["v06"]


def test_a_lit_lamp_is_watched_until_it_goes_out(mixed: duckdb.DuckDBPyConnection) -> None:
    """Given lamps lit in the newest event that has the signal, expect watch; gone out since, expect no sign."""
    lit, out = of(mixed, "v01"), of(mixed, "v02")
    assert (lit["priority"], out["priority"]) == ("watch", "no_sign")
    assert lit["reason"].endswith(", but a lit anti-lock warning lamp on 2026-03-22.")


def test_a_dangerous_report_outranks_too_little_evidence(mixed: duckdb.DuckDBPyConnection) -> None:
    """Given a spare vehicle without events and a report of severity 3, expect it first, and still without a score."""
    row = of(mixed, "reported")
    (must,) = mixed.execute("select count(*) from vehicle_health where priority = 'before_next_trip'").fetchone()
    assert row["rank"] <= must and (row["priority"], row["health_score"]) == ("before_next_trip", None)
    assert row["reason"] == (
        "Too little evidence: 0 usable events on 0 trips, 8 on 3 needed, "
        "but an open report of 2026-03-10: no text given"
    )


def test_more_evidence_ranks_first_within_a_priority_and_no_interval_is_a_point(
    mixed: duckdb.DuckDBPyConnection,
) -> None:
    """Given brakes 60 and 70 % weaker over many events, expect the weaker first, scores apart, intervals open."""
    rows = mixed.execute(
        "select vehicle_id, priority, health_score, score_low, score_high from vehicle_health "
        "where vehicle_id in ('a_weak', 'z_weaker') order by rank"
    ).fetchall()
    assert [row[:2] for row in rows] == [("z_weaker", "before_next_trip"), ("a_weak", "before_next_trip")]
    assert rows[0][2] < rows[1][2]
    for _, _, middle, low, high in rows:
        # doubt about the priors alone is a factor exp(1.64 * 0.7) = 3.2 of the odds
        assert low < 0.7 * middle and high > 1.5 * middle


def test_bounding_keeps_order_and_never_reaches_the_ceiling() -> None:
    con = duckdb.connect()
    models.load_parameters(con, DAY, DEFAULT)
    rows = con.execute(
        "select from_logit(bounded(x, logit(bounded_from), logit(probability_ceiling))), from_logit(x) "
        "from (select unnest(range(-60, 600)) / 10.0 as x), priors"
    ).fetchall()
    shown = [row[0] for row in rows]
    assert shown == sorted(set(shown))
    assert max(shown) < DEFAULT.probability_ceiling
    assert all(a == b for a, b in rows if b < DEFAULT.bounded_from)


def test_identifiers_are_opaque(mixed: duckdb.DuckDBPyConnection) -> None:
    assert of(mixed, HOSTILE)["priority"]
    made = 8 * 25 + 7 + 25 + 25 + 60 + 60 + 1 + 9 + 1 + 4
    assert mixed.execute("select count(*) from events").fetchone() == (made,)


def test_an_empty_store_scores_to_empty_tables() -> None:
    con = Fleet().connect()
    assert score(con, today=LATE) == LATE
    assert contents(con) == {table: [] for table in TABLES}


def test_models_are_one_select_with_a_header_and_short() -> None:
    for name in (*models.MODELS, "int_level_effect", *models.CHECKS):
        text = models.sql_of(name)
        assert text.startswith("-- "), name
        assert text.count("\n") < 80, name
        assert ";" not in "".join(line.split("--")[0] for line in text.splitlines() if "'" not in line), name


def test_every_observation_is_read_by_a_finding() -> None:
    read = models.sql_of("int_level_observations") + models.sql_of("int_shares")
    unread = [name for name in models.MODELS if name.startswith("obs_") and f"from {name}\n" not in read]
    assert unread == []
