"""The plan's files, read back by other people's code and by a strict reader of our own."""

import csv
import io
import re
import tempfile
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import openpyxl
import plain_calendar
import pytest
from a_few import searched
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.worksheet.worksheet import Worksheet
from plan_made import AS_OF, BEGINS, ODD_IDS, plan_store, visits

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.spreadsheet import protected, unprotected
from fleetbrake.core.vocabulary import CAUTION, FINDINGS, WHEELS, wheel_words
from fleetbrake.reports.measures import METRIC, US
from fleetbrake.reports.plan_calendar import MOST_LETTERS
from fleetbrake.reports.plan_data import nearness, plan_told
from fleetbrake.reports.plan_files import (
    PlanFiles,
    calendar_bytes,
    findings_sheet_bytes,
    workbook_bytes,
    write_calendar,
    write_findings_sheet,
    write_workbook,
)
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.findings import import_findings


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plan_store(tmp_path_factory.mktemp("plan") / "store")


def _events(store: Path) -> list[dict[str, str]]:
    return plain_calendar.events(calendar_bytes(store))


def _sheets(content: bytes) -> dict[str, Worksheet]:
    return {sheet.title: sheet for sheet in openpyxl.load_workbook(io.BytesIO(content)).worksheets}


def _table(sheet: Worksheet) -> list[dict[str, Any]]:
    head, *rows = list(sheet.iter_rows(min_row=4, values_only=True))
    return [dict(zip(map(str, head), row, strict=True)) for row in rows]


# --- calendar ---------------------------------------------------------------------------------------------------


def test_both_readers_find_an_entry_for_every_vehicle(planned: Path) -> None:
    ours = _events(planned)
    theirs = icalendar.Calendar.from_ical(calendar_bytes(planned)).walk("VEVENT")
    assert len(ours) == len(theirs) == len(ODD_IDS)
    for mine, other in zip(ours, theirs, strict=True):
        assert plain_calendar.text(mine["SUMMARY"]) == str(other["SUMMARY"])
        assert plain_calendar.text(mine["DESCRIPTION"]) == str(other["DESCRIPTION"])
        assert plain_calendar.day(mine["DTSTART;VALUE=DATE"]) == other.decoded("DTSTART")
        assert other.decoded("DTEND") - other.decoded("DTSTART") == timedelta(days=1)
        assert CAUTION in str(other["DESCRIPTION"]).replace("\n", " ")


def test_an_entry_says_what_where_and_how_long(planned: Path) -> None:
    told = {row["vehicle_id"]: row for row in visits()}
    (entry,) = [e for e in _events(planned) if plain_calendar.text(e["SUMMARY"]).startswith("+1:")]
    assert plain_calendar.day(entry["DTSTART;VALUE=DATE"]) == told["+1"]["planned_on"]
    assert plain_calendar.text(entry["LOCATION"]) == "South, yard; 2"
    assert entry["STATUS"] == "CONFIRMED" and entry["CATEGORIES"] == "Brake inspection,this week"
    description = plain_calendar.text(entry["DESCRIPTION"])
    assert "Position: axle 1 left" in description
    assert "1.5 bay hours, 0.5 on the roller tester, 1 by a qualified brake inspector" in description


def test_what_has_no_day_is_in_it_too_and_says_so(planned: Path) -> None:
    unsettled = {plain_calendar.text(e["SUMMARY"]): e for e in _events(planned) if e["STATUS"] == "TENTATIVE"}
    (urgent,) = [title for title in unsettled if title.startswith("Before the next trip: BUS-1")]
    (late,) = [title for title in unsettled if title.startswith("Date cannot be kept: =HYPERLINK")]
    assert len(unsettled) == 2
    assert plain_calendar.day(unsettled[urgent]["DTSTART;VALUE=DATE"]) == BEGINS + timedelta(days=1)  # hours kept free
    assert plain_calendar.day(unsettled[late]["DTSTART;VALUE=DATE"]) == BEGINS + timedelta(days=4)  # the date itself


def test_without_kept_hours_what_must_not_wait_stands_on_the_first_day(tmp_path: Path) -> None:
    rows = visits()[:2]
    rows[0]["held_on"] = None
    rows[1]["date_lost"] = rows[1]["due_on"] = BEGINS - timedelta(
        days=40
    )  # long past: an entry in the past would be seen by nobody
    days = {e["DTSTART;VALUE=DATE"] for e in _events(plan_store(tmp_path / "store", rows))}
    assert days == {f"{BEGINS:%Y%m%d}"}


def test_odd_ids_stay_in_their_line_and_are_cut(planned: Path) -> None:
    titles = [plain_calendar.text(e["SUMMARY"]) for e in _events(planned)]
    assert not any("\n" in title or "\u202e" in title for title in titles)
    assert max(map(len, titles)) <= MOST_LETTERS
    assert any(title.startswith("a;b,c\\d\\n:") for title in titles)
    cut = "L" * 53 + "…" + "L" * 26  # ids often differ at their end
    assert any(title.startswith(f"{cut}: one wheel of an axle") for title in titles)


def test_the_same_plan_gives_the_same_bytes_in_any_order_of_rows(planned: Path, tmp_path: Path) -> None:
    other = plan_store(tmp_path / "store", visits()[::-1])
    assert calendar_bytes(planned) == calendar_bytes(planned)
    assert sorted(map(str, _events(other))) == sorted(map(str, _events(planned)))
    assert workbook_bytes(planned) == workbook_bytes(planned)


def test_a_visit_that_moves_keeps_its_entry_and_is_newer(planned: Path, tmp_path: Path) -> None:
    rows = visits()
    rows[2]["planned_on"] += timedelta(days=5)
    moved = plan_store(tmp_path / "store", rows)
    enter(moved, "planner", ODD_IDS[2], DateFixed(on=rows[2]["planned_on"]))
    before, after = ({e["UID"]: e for e in _events(store)} for store in (planned, moved))
    assert before.keys() == after.keys()
    changed = [uid for uid in before if before[uid]["DTSTART;VALUE=DATE"] != after[uid]["DTSTART;VALUE=DATE"]]
    assert len(changed) == 1
    assert int(after[changed[0]]["SEQUENCE"]) > int(before[changed[0]]["SEQUENCE"])


def test_next_years_statutory_visit_is_another_entry(planned: Path, tmp_path: Path) -> None:
    rows = visits()
    rows[2]["due_on"] += timedelta(days=365)
    uids = [{e["UID"] for e in _events(store)} for store in (planned, plan_store(tmp_path / "store", rows))]
    assert len(uids[0] - uids[1]) == 1


# control characters, separators, marks of direction and emoji: what text may hold once it is in the database
_IDS = st.text(st.characters(codec="utf-8"), min_size=1, max_size=200).filter(lambda text: "\x00" not in text)


@searched(4, 10, st.lists(_IDS, min_size=3, max_size=6, unique=True))
def test_any_id_gives_files_that_can_be_read(ids: list[str]) -> None:
    rows = visits([*ids, "last"])
    with tempfile.TemporaryDirectory() as folder:
        _any_id(plan_store(Path(folder) / "store", rows), rows)


def _any_id(store: Path, rows: list[dict[str, Any]]) -> None:
    assert len(_events(store)) == len(icalendar.Calendar.from_ical(calendar_bytes(store)).walk("VEVENT")) == len(rows)
    assert {"Plan", "Days", "Columns"} <= set(_sheets(workbook_bytes(store)))
    sheet = list(csv.DictReader(io.StringIO(findings_sheet_bytes(store).decode("utf-8-sig"), newline="")))
    assert {unprotected(row["vehicle_id"]) for row in sheet} == {row["vehicle_id"] for row in rows}


# --- workbook ---------------------------------------------------------------------------------------------------


def test_the_workbook_tells_every_visit_with_real_types(planned: Path) -> None:
    sheets = _sheets(workbook_bytes(planned))
    assert list(sheets) == ["Before next trip, no day", "Plan", "Days", "Columns"]
    rows = _table(sheets["Plan"])
    assert len(rows) == len(ODD_IDS) - 2
    days = [row["day"] for row in rows]
    assert days == sorted(days) and all(isinstance(day, datetime) for day in days)
    (statutory,) = [row for row in rows if row["statutory"]]
    assert statutory["due on"] == datetime.combine(BEGINS + timedelta(days=9), datetime.min.time())
    assert statutory["position"] is None and statutory["note"] is None  # NULL is an empty cell
    (one,) = [row for row in rows if row["vehicle"] == "+1"]
    assert (one["bay hours"], one["position"], one["chance of a defect"]) == (1.5, "axle 1 left", 0.75)
    assert one["events"] == "e1\ne2" and one["finding"] is None


def test_what_must_not_wait_heads_the_workbook(planned: Path) -> None:
    urgent, late = _table(_sheets(workbook_bytes(planned))["Before next trip, no day"])
    assert (urgent["why it has no day"], urgent["vehicle"]) == ("before the next trip", "BUS-1")
    assert urgent["hours kept free on"].date() == BEGINS + timedelta(days=1)
    assert (late["why it has no day"], late["vehicle"]) == ("date cannot be kept", ODD_IDS[1])
    assert "closed every day" in late["note"]


def test_no_text_becomes_a_formula_or_a_link(planned: Path) -> None:
    for sheet in _sheets(workbook_bytes(planned)).values():
        cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
        assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink]
    told = {row["vehicle"] for row in _table(_sheets(workbook_bytes(planned))["Plan"])}
    assert {"-2+3", "+1", "@two", "'=three", "a;b,c\\d\\n"} <= told


def test_the_grid_of_hours(planned: Path) -> None:
    sheet = _sheets(workbook_bytes(planned))["Days"]
    head = [cell.value for cell in sheet[4]]
    assert head[:2] == ["depot", "per day"]
    assert [day.date() for day in head[2:]] == [BEGINS + timedelta(days=n) for n in range(14)]
    lines = {(row[0], row[1]): row[2:] for row in sheet.iter_rows(min_row=5, values_only=True)}
    north = {name: values for (depot, name), values in lines.items() if depot == "North"}
    assert north["bay hours"][:6] == (8, 8, 8, 8, 8, 0)
    assert (north["bay hours planned"][0], north["bay hours kept free"][1]) == (3, 1.5)
    assert north["bay hours left"][:2] == (5, 6.5)
    assert north["roller hours used"][:2] == (1, None)  # not known is no zero
    assert ("South, yard; 2", "roller hours") not in lines  # not limited there


def test_print_setup_panes_filters_and_words_to_choose_from(planned: Path) -> None:
    sheets = _sheets(workbook_bytes(planned, US))
    for sheet in sheets.values():
        assert sheet.page_setup.orientation == "landscape" and sheet.page_setup.fitToHeight == 0
        assert sheet.sheet_properties.pageSetUpPr.fitToPage and sheet.print_title_rows == "$4:$4"
        assert sheet["A2"].value == CAUTION and sheet.freeze_panes
    plan = sheets["Plan"]
    assert plan.auto_filter.ref and plan.print_area
    offered = {validation.formula1.strip('"') for validation in plan.data_validations.dataValidation}
    assert ",".join(FINDINGS) in offered and "none,minor,major,dangerous" in offered
    meant = {row["column"] for row in _table(sheets["Columns"])}
    assert {str(cell.value) for cell in plan[4]} <= meant


def test_units_of_the_reader(planned: Path) -> None:
    """100 000 miles and 18 t of the register: 160 934.4 km by the definition of the mile, 39 683.2 lb of the pound."""
    (metric, *_), (us, *_) = (_table(_sheets(workbook_bytes(planned, m))["Plan"]) for m in (METRIC, US))
    assert (metric["odometer (km)"], metric["max. mass (kg)"]) == (160934.4, 18000)
    # 1e-9: a sheet keeps some 16 figures
    assert us["odometer (mi)"] == pytest.approx(100_000, rel=1e-9)
    assert us["max. mass (lb)"] == pytest.approx(18000 / 0.45359237, rel=1e-9)
    assert us["since roller test (mi)"] is None


def test_our_sentences_are_in_the_units_of_the_reader_and_a_report_stays_as_written(tmp_path: Path) -> None:
    rows = visits()[:4]
    reported = ("Open report: pulls at 50 km/h", "No sign, but an open report of 2026-03-01: 2 m late")
    rows[2]["reason"], rows[3]["reason"] = (f"1.00 m/s² less than usual. {words}" for words in reported)
    sheets = _sheets(workbook_bytes(plan_store(tmp_path / "store", rows), US))
    told = {row["what to look at"] for row in _table(sheets["Plan"])}
    assert told == {f"3.28 ft/s² less than usual. {words}" for words in reported}


# --- findings sheet ---------------------------------------------------------------------------------------------


def test_the_sheet_comes_back_as_findings(tmp_path: Path) -> None:
    store = plan_store(tmp_path / "store")
    rows = list(csv.DictReader(io.StringIO(findings_sheet_bytes(store).decode("utf-8-sig"), newline="")))
    assert len(rows) == len({row["inspection_id"] for row in rows}) == len(ODD_IDS)
    assert {row["wheel"] for row in rows} == {"1L", ""}
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "-", "@"))]
    filled = {"-2+3": "side_imbalance", "'=three": "other", "@two": "none"}
    for row in rows:
        vehicle = unprotected(row["vehicle_id"])
        if vehicle in filled:
            severity = "0" if filled[vehicle] == "none" else "1"
            row |= {"finding": filled[vehicle], "severity": severity, "inspected_on": str(AS_OF), "note": "by hand"}
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    taken = import_findings(store, text.getvalue().encode(), "workshop")
    assert (taken.new, taken.problems) == (3, [])  # the rows left open are passed over


def test_an_untouched_sheet_brings_nothing(planned: Path) -> None:
    taken = import_findings(planned, findings_sheet_bytes(planned), "workshop")
    assert (taken.new, taken.known, taken.problems) == (0, 0, [])


def test_a_vehicle_without_a_day_gets_no_made_up_one(planned: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(findings_sheet_bytes(planned).decode("utf-8-sig"), newline="")))
    assert [row["inspected_on"] for row in rows[:2]] == ["", ""]
    assert all(date.fromisoformat(row["inspected_on"]) >= BEGINS for row in rows[2:])


@given(st.text(max_size=20))
def test_protection_is_undone_exactly(text: str) -> None:
    assert unprotected(protected(text)) == text
    assert not protected(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


# --- files, drivers, words --------------------------------------------------------------------------------------

_WRITERS = ((write_calendar, ".ics"), (write_workbook, ".xlsx"), (write_findings_sheet, ".csv"))


@pytest.mark.parametrize(("write", "ending"), _WRITERS, ids=["calendar", "workbook", "sheet"])
def test_a_file_is_replaced_whole_and_nothing_else_is_touched(
    write: Any, ending: str, planned: Path, tmp_path: Path
) -> None:
    target = tmp_path / f"plan{ending}"
    target.write_text("an older one")
    write(planned, target)
    assert target.read_bytes()[:5] != b"an ol"
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


@pytest.mark.parametrize(("write", "ending"), _WRITERS, ids=["calendar", "workbook", "sheet"])
def test_bad_names_are_told(write: Any, ending: str, planned: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"must end in {ending}"):
        write(planned, planned / "fleet.duckdb")
    (tmp_path / f"folder{ending}").mkdir()
    with pytest.raises(InputError, match="this is a folder"):
        write(planned, tmp_path / f"folder{ending}")
    with pytest.raises(InputError, match="there is no folder"):
        write(planned, tmp_path / "missing" / f"plan{ending}")
    with pytest.raises(StoreError):
        write(tmp_path / "no store", tmp_path / f"plan{ending}")
    assert not (tmp_path / f"plan{ending}").exists()


def test_all_names_are_checked_before_any_file_is_written(planned: Path, tmp_path: Path) -> None:
    files = PlanFiles(tmp_path / "plan.ics", tmp_path / "plan.ics")
    with pytest.raises(InputError, match=r"must end in \.xlsx"):
        files.check()
    assert PlanFiles(tmp_path / "a.ics", None, tmp_path / "a.csv").write(planned) == [
        tmp_path / "a.ics",
        tmp_path / "a.csv",
    ]


def test_an_empty_plan_gives_files_too(tmp_path: Path) -> None:
    store = plan_store(tmp_path / "store", [])
    assert _events(store) == []
    assert _table(_sheets(workbook_bytes(store))["Plan"])[0]["day"] == "none"
    assert len(findings_sheet_bytes(store).splitlines()) == 1


def test_a_driver_whom_a_report_names_is_not_in_any_file(tmp_path: Path) -> None:
    rows = visits()
    rows[4] |= {"reason": "Open report: D-77 says the pedal is long", "note": "asked D-77"}
    store = plan_store(tmp_path / "store", rows)
    with rebuilding(store) as con:
        con.execute("UPDATE plan_summary SET note = 'no hours, d_77 says'")
    book = [str(row) for sheet in _sheets(workbook_bytes(store)).values() for row in sheet.values]
    calendar = [plain_calendar.text(event["DESCRIPTION"]) for event in _events(store)]
    for told in ("\n".join(book), "\n".join(calendar), findings_sheet_bytes(store).decode()):
        assert not re.search("(?i)d[-_ ]77", told) and "says the pedal is long" in told and "driver-" in told


def test_order_of_what_is_told(planned: Path) -> None:
    told = plan_told(planned)
    assert told.as_of == AS_OF
    assert [row["vehicle_id"] for row in told.before_next_trip] == ["BUS-1"]
    assert [row["vehicle_id"] for row in told.without_day] == [ODD_IDS[1]]
    assert len(told.planned) == len(ODD_IDS) - 2


def test_nearness_is_never_told_better_than_it_is(planned: Path) -> None:
    summary = plan_told(planned).summary
    # 140 of at most 142: 1.408 %, rounded up in the second figure
    assert nearness(summary) == "at most 1.5 % from the best possible plan"
    assert nearness(summary[summary["depot"] == "North"]) == "proven best"
    assert nearness(summary.assign(gain_bound=float("nan"))) == "how far from the best possible plan is not known"
    tight = summary.assign(gain=[1e6, 0.0], gain_bound=[1e6 + 2.0, 0.0])
    assert nearness(tight) == "at most 0.0002 % from the best possible plan"


def test_wheels_in_words() -> None:
    assert [wheel_words(wheel) for wheel in ("1L", "2R", "6L")] == ["axle 1 left", "axle 2 right", "axle 6 left"]
    assert len({wheel_words(wheel) for wheel in WHEELS}) == len(WHEELS)
    assert (wheel_words(None), wheel_words("tow"), wheel_words(float("nan"))) == ("", "tow", "")
