"""The sheets for the workshop, read back by another library: one page each, the tables' figures, nobody named."""

import io
import re
import unicodedata
from dataclasses import replace
from datetime import date
from pathlib import Path

import pypdf
import pytest
from a_few import a_few
from builders import HOSTILE, PLAIN, build_store

from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import CAUTION, NOT_SEEN, wheel_words
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.reports import history_reads, reads
from fleetbrake.reports.measures import METRIC, US, Measures
from fleetbrake.reports.plan_data import plan_told
from fleetbrake.reports.sheets import vehicle_sheet_parts as parts
from fleetbrake.reports.sheets.vehicle_sheet import known_vehicles, planned_vehicles, vehicle_sheets
from fleetbrake.reports.sheets.vehicle_sheet_reads import sheet_facts
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import FindingEntered, ReportAnswered, WorkEntered

#: A driver and a trip that stand in texts and columns of the store and nowhere on a sheet.
DRIVER, TRIP = PLAIN.drivers[2], "TRIP-SENTINEL"
ORDER = list(reversed(PLAIN.vehicles))


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which the first vehicle has everything, the last has nothing but a register row, and one is a trailer
    with six axles."""
    store = build_store(tmp_path_factory.mktemp("full"))
    one, trailer = PLAIN.vehicles[1], PLAIN.vehicles[3]
    with rebuilding(store) as con:
        con.execute("UPDATE vehicles SET axles = 6, category = 'O4', lift_axles = '1' WHERE vehicle_id = ?", [trailer])
        con.execute("DELETE FROM vehicles WHERE vehicle_id = ?", [PLAIN.vehicles[4]])
        con.execute("UPDATE vehicle_health SET open_report = ? WHERE vehicle_id = ?", [f"Told by {DRIVER}", one])
        con.execute(
            "UPDATE indicators SET trips_seen = 7, trips_used = 9, basis = 'its peers', detection_limit = 0.002"
        )
        con.execute(
            "UPDATE indicators SET unit = 'share of events', value = 0.625, expected = 0.05, ranks = true "
            "WHERE vehicle_id = ? AND first_seen_on IS NOT NULL",
            [one],
        )
        con.execute(
            "INSERT INTO indicator_trips SELECT vehicle_id, as_of, indicator, wheel, ? || i, as_of - i::INT, 0.3, 2, "
            "'e', i < 9 FROM indicators, range(12) AS t(i) WHERE vehicle_id = ? AND first_seen_on IS NOT NULL",
            [TRIP, one],
        )
        con.execute("UPDATE events SET trip_id = ?, latitude_deg = 51.4321, longitude_deg = 7.1234", [TRIP])
        con.execute(
            "INSERT INTO inspections (inspection_id, vehicle_id, inspected_on, wheel, finding, severity, note) "
            "VALUES ('I-1', ?, '2025-08-03', '1R', 'brake_drag', 2, ?)",
            [one, f"seized pin, {DRIVER} said, {TRIP} at -38.58, -20.73"],
        )
        con.execute("INSERT INTO due_dates (vehicle_id, kind, due_on) VALUES (?, 'roller test', '2026-01-20')", [one])
    return store


@pytest.fixture(scope="module")
def printed(full: Path) -> dict[str, str]:
    """The text of every vehicle's page, all in one document."""
    pdf = vehicle_sheets(full, ORDER)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert [mark.title for mark in reader.outline] == ORDER, "a bookmark each, in the order asked for"
    return dict(zip(ORDER, _pages(pdf), strict=True))


@pytest.fixture(scope="module")
def longest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hostile ids on six axles, and every text and list as long as it gets."""
    store = build_store(tmp_path_factory.mktemp("longest"), hostile=True)
    with rebuilding(store) as con:
        con.execute("UPDATE vehicles SET axles = 6, max_mass_kg = 44000")
        con.execute("UPDATE vehicle_health SET open_report = repeat('#pagebreak() ', 90)")
        con.execute("UPDATE vehicle_health SET reason = repeat('$x$ a ', 300)")
        con.execute("UPDATE inspection_plan SET note = repeat('note ', 200)")
        con.execute("UPDATE indicators SET ranks = true, deviation = 5")
        con.execute(
            "INSERT INTO defect_reports (vehicle_id, reported_at, text, severity) SELECT vehicle_id, "
            "TIMESTAMPTZ '2026-01-03' + to_days(i::INT), repeat('W', 900) || i, 1 FROM vehicles, range(9) AS t(i)"
        )
        con.execute(
            "INSERT INTO inspections (inspection_id, vehicle_id, inspected_on, finding, severity, note) SELECT "
            "vehicle_id || i, vehicle_id, DATE '2025-01-03' + i::INT, 'other', 2, repeat('שלום ', 99) "
            "FROM vehicles, range(9) AS t(i)"
        )
    return store


def _pages(pdf: bytes) -> list[str]:
    """The text of each page without white space and marks where words may break."""
    found = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return [_tight(page.extract_text()) for page in found]


def _tight(text: str) -> str:
    return re.sub(r"[\s\u200b\u00ad]", "", unicodedata.normalize("NFKC", text))


def test_it_says_what_to_look_at_where_and_what_it_rests_on(full: Path, printed: dict[str, str]) -> None:
    told = printed[PLAIN.vehicles[1]]
    row = reads.ranked(full).set_index("vehicle_id").loc[PLAIN.vehicles[1]]
    assert PLAIN.vehicles[1] in told and _tight(str(row["reason"])) in told
    assert _tight(f"One wheel of an axle brakes less than the other: {wheel_words(row['suspect_wheel'])}") in told
    for figure in (
        "62.5 % of events", "5 % of events", "0.2 % of events", "7 of 9 trips", "9 Jan 2026", "38 (24 to 49)",
        "+5.2 standard errors", "2 of 12", "29 Jan 2026", "its peers", "roller test 20 Jan 2026 (overdue)",
        "3 Aug 2025 inspection: a brake releases late or keeps dragging, axle 1 right, major",
    ):  # fmt: skip
        assert _tight(figure) in told, figure
    for event in reads.indicators_of(full, PLAIN.vehicles[1])["evidence"].iloc[0]:
        assert _tight(event) in told


def test_figures_of_events_are_those_of_the_tables(full: Path, printed: dict[str, str]) -> None:
    told = printed[PLAIN.vehicles[1]]
    (facts,) = sheet_facts(full, [PLAIN.vehicles[1]])
    assert len(facts.evidence) == 3
    for event in facts.evidence["event_id"]:
        row = reads.event(full, event)
        assert row is not None
        peak = "–" if row["peak_decel_mps2"] is None else f"{row['peak_decel_mps2']:.2f} m/s²"
        assert _tight(f"{row['initial_speed_mps'] * 3.6:.0f} km/h {peak}") in told


def test_the_caution_what_is_not_seen_and_room_to_write_stand_on_every_sheet(printed: dict[str, str]) -> None:
    always = (
        CAUTION, NOT_SEEN, "Chock the wheels", "May be driven:", "The qualified inspector decides",
        "Name of the inspector", "Signature", "Severity: 0 none, 1 minor, 2 major, 3 dangerous",
    )  # fmt: skip
    assert not [(v, text) for v, page in printed.items() for text in always if _tight(text) not in page]


def test_nobody_no_trip_and_no_place_is_named_whoever_prints(printed: dict[str, str]) -> None:
    pages = "".join(printed.values())
    assert "Toldbydriver-" in pages and "seizedpin,driver-" in pages, "the texts are there, under an alias"
    assert not [driver for driver in PLAIN.drivers if driver in pages]
    assert TRIP not in pages and "51.43" not in pages and "7.123" not in pages
    assert "said,(trip)at(place)" in pages and "38.58" not in pages


def test_each_page_is_of_its_own_vehicle(printed: dict[str, str]) -> None:
    assert all(page.startswith(f"Brakes:sheetfortheworkshop{vehicle}") for vehicle, page in printed.items())


def test_vehicles_of_which_little_is_known(printed: dict[str, str]) -> None:
    trailer, unregistered, silent = (printed[PLAIN.vehicles[n]] for n in (3, 4, -1))
    assert "6axles" in trailer and "coupling" in trailer and "lifts" in trailer and "6R" in trailer
    assert "notintheregister" in unregistered and "Electricactuators" in unregistered, "all cautions where unknown"
    assert "toolittle" in silent and "Noapplicationrecorded" in silent and "Healthscore,of100–" in silent
    assert "noapplication" in silent and "Notobserved,andnotcountedasgood:lowbrakeeffectiveness" in silent


def test_us_units_on_us_letter(full: Path) -> None:
    pdf = vehicle_sheets(full, PLAIN.vehicles[:2], US)
    first, second = _pages(pdf)
    assert "mph" in first and "ft/s" in first and "lb" in first and "mi" in second
    assert not re.search(r"\d(km/h|km|m/s2|kg)(?![a-z])", first + second)
    width, height = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox[2:]
    assert (float(width), float(height)) == pytest.approx((612.0, 792.0)), "US letter, 8.5 by 11 inch of 72 points"


@pytest.mark.parametrize(("measures", "first"), a_few([(METRIC, 6), (US, 2)], 0), ids=["metric", "us"])
def test_hostile_text_of_any_length_stays_text_on_one_page(longest: Path, measures: Measures, first: int) -> None:
    pages = _pages(vehicle_sheets(longest, HOSTILE.vehicles[first:], measures))
    assert len(pages) == len(HOSTILE.vehicles) - first
    for page in pages:
        assert "#pagebreak()" in page and "Signature" in page and "Brakedust" in page and "$x$" in page


def test_the_same_store_gives_the_same_bytes(full: Path) -> None:
    assert vehicle_sheets(full, PLAIN.vehicles[:1]) == vehicle_sheets(full, PLAIN.vehicles[:1])


def test_the_plan_is_printed_in_its_order_and_unknown_ids_are_told(full: Path) -> None:
    plan = plan_told(full)
    rows = [*plan.before_next_trip, *plan.planned, *plan.without_day]
    assert len(rows) > 2 and planned_vehicles(plan) == [row["vehicle_id"] for row in rows]
    assert known_vehicles(full, ["BUS-011", "BUS-011"]) == ["BUS-011"]
    with pytest.raises(InputError, match=r"No vehicle of the store has this id: BUS-0111\. Near: BUS-011"):
        known_vehicles(full, ["BUS-0111"])


def test_what_was_entered_since_counts_at_once(tmp_path: Path) -> None:
    store, vehicle = build_store(tmp_path / "store"), PLAIN.vehicles[5]
    report = "INSERT INTO defect_reports (vehicle_id, reported_at, text) VALUES (?, '2026-01-20', 'squeals')"
    with rebuilding(store) as con:
        con.execute(report, [vehicle])
    (before,) = sheet_facts(store, [vehicle])
    assert parts.open_items(before) == ["Report of 20 Jan 2026: squeals"] and not parts.history_rows(before, METRIC)
    work = Repair(vehicle_id=vehicle, repaired_on=date(2026, 1, 27), wheel="1L", work="lining", note="both")
    reported = before.open_reports["reported_at"].iloc[0].to_pydatetime()
    answered = ReportAnswered(reported_at=reported, text="squeals", cleared_at=reported.replace(day=27))
    enter(store, "w", vehicle, WorkEntered(row=work), answered)
    (after,) = sheet_facts(store, [vehicle])
    assert "27 Jan 2026 work: lining renewed, axle 1 left, both" in parts.history_rows(after, METRIC)
    assert not parts.open_items(after)


def test_the_last_inspection_is_the_newest_of_what_is_on_file(tmp_path: Path) -> None:
    store, vehicle = build_store(tmp_path / "store"), PLAIN.vehicles[5]

    def shown() -> str:
        (facts,) = sheet_facts(store, [vehicle])
        return next(f["value"] for f in parts.figures(facts, METRIC) if f["name"] == "Last inspection")

    assert shown() == "1 Sep 2025", "as the register of vehicles has it"
    with rebuilding(store) as con:
        visit = "INSERT INTO inspections (inspection_id, vehicle_id, inspected_on, finding) VALUES (?, ?, ?, 'none')"
        con.executemany(visit, [["I-8", vehicle, date(2025, 10, 2)], ["I-7", vehicle, date(2025, 3, 2)]])
    assert shown() == "2 Oct 2025"
    found = Inspection(inspection_id="", vehicle_id=vehicle, inspected_on=date(2026, 1, 27), finding="none")
    enter(store, "w", vehicle, FindingEntered(row=found.model_copy(update={"inspection_id": "I-9"})))
    assert shown() == "27 Jan 2026", "what was entered counts at once"


def test_reads_of_many_are_those_of_each(full: Path) -> None:
    many = history_reads.history_of(full, PLAIN.vehicles)
    for vehicle in PLAIN.vehicles[:3]:
        own = many[many["vehicle_id"] == vehicle].drop(columns="vehicle_id").reset_index(drop=True)
        assert own.astype(str).equals(history_reads.history(full, vehicle).astype(str))


def test_shares_and_slip_are_read_in_per_cent_and_three_digits_stay() -> None:
    assert parts.quantity(0.61, "share of the greater side's slip") == "61 % of the greater side's slip"
    assert parts.quantity(0.00332, "slip") == "0.332 % slip" and parts.quantity(1234.4, "s") == "1234 s"
    assert parts.quantity(-0.3, "relative change against the peers'") == "-30 % against the peers'"
    assert parts.quantity(None, "s") == "–" and parts.quantity(0.5, None) == "0.5"


def test_suggested_hours_without_a_plan_are_those_of_the_finding(full: Path) -> None:
    (facts,) = sheet_facts(full, [PLAIN.vehicles[0]])
    row = facts.row | {"bay_hours": None, "leading_indicator": "brake_drag"}
    named = {f["name"]: f for f in parts.figures(replace(facts, row=row), METRIC)}
    assert named["Suggested hours"]["value"] == "1 h" and "0.25 h" in named["Suggested hours"]["more"]
