"""What the month's files say in words: each sentence held against the figures that it is about."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from builders import MONTH, PLAIN, build_store
from made_month import AS_OF, made_month, table

from fleetbrake.reports import driver_words, look, month_reads
from fleetbrake.reports.charts import events_by_day
from fleetbrake.reports.measures import METRIC, US
from fleetbrake.reports.monthly.column_units import in_units_read
from fleetbrake.reports.monthly.month_change import Change
from fleetbrake.reports.monthly.month_data import month_events, month_figures, period
from fleetbrake.reports.monthly.month_drivers import month_drivers
from fleetbrake.reports.monthly.month_pdf import document, write_pdf
from fleetbrake.reports.monthly.month_pdf_parts import days_in_words
from fleetbrake.reports.monthly.month_pdf_parts_fleet import change_words, on_loose_ground
from fleetbrake.reports.monthly.month_pdf_words import method
from fleetbrake.reports.monthly.month_silence import month_silence
from fleetbrake.reports.monthly.month_told import MonthTold
from fleetbrake.reports.printed import as_pasted
from fleetbrake.reports.sheets.driver_sheet import talks_with
from fleetbrake.reports.sheets.vehicle_sheet import known_vehicles
from fleetbrake.store.database import rebuilding

MILE = 1.609344
INVISIBLE = "\u200b", "\u2068", "\u2069", "\ufeff"


def _rates(loose: int | None) -> Any:
    rows = [{"dimension": "fleet", "measure": "lockups_above_cutoff", "counted": 13}]
    rows += [{"dimension": "depot", "part": "loose", "measure": "lockups_above_cutoff", "counted": 5}]
    rows += [{"dimension": "surface", "part": "loose", "measure": "hard_stops", "counted": 7}]
    if loose is not None:
        rows += [{"dimension": "surface", "part": "loose", "measure": "lockups_above_cutoff", "counted": loose}]
    return table("month_rates", rows)


def test_lockups_on_loose_ground_are_told_apart() -> None:
    assert on_loose_ground(_rates(10)).startswith("10 of the 13 above the cut-off on loose ground, where")
    assert on_loose_ground(_rates(None)) == "None of the 13 above the cut-off was on loose ground."
    assert on_loose_ground(_rates(None).slice(0, 0)) == ""
    said = document(made_month())["headlines"]
    assert [bool(block["apart"]) for block in said] == [False, False, True]
    assert not any("speak of the vehicle's health" in part["text"] for part in method(METRIC))


def test_the_page_counts_loose_ground_by_depot_and_category(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    with rebuilding(store) as con:
        con.execute("UPDATE month_surfaces SET surface = 'loose', lockups_above_cutoff = 2")
        rows = con.execute("SELECT depot, count(*) FROM month_surfaces WHERE month = ? GROUP BY 1", [MONTH]).fetchall()
    for depot, count in rows:
        assert month_reads.on_loose_ground(store, MONTH, month_reads.Chosen((depot,))) == 2 * count
    assert month_reads.on_loose_ground(store, MONTH) == 2 * sum(count for _, count in rows)


def test_what_people_report_raises_the_priority_and_is_not_said_to_come_first() -> None:
    said = {part["head"]: part["text"] for part in method(METRIC)}
    assert "come first" not in said["Scores"] and "raise the priority to what they ask for" in said["Scores"]
    assert "comes before any score" not in said["Limits"]


def test_scores_of_drivers_tell_the_span_that_they_look_back_over_and_the_month_beside() -> None:
    told = made_month()
    people = document(told)["drivers"]
    assert people["span"].replace("\N{NO-BREAK SPACE}", " ") == "scores of 2 Apr 2025 to 27 Feb 2026"
    first, sixth = people["rows"][0], people["rows"][5]
    row = told.tables["month_drivers"].to_pylist()[1]
    assert people["rows"][1]["month"] == f"{row['hard_stops']} on {row['distance_km']:,.0f}"
    assert first["month"] == "0" and sixth["month"] == "1", "no kilometres known: the count alone"
    assert "whole span, not of the month; so is that of the fleet as a whole" in people["note"]


def test_drivers_without_a_score_have_no_place_in_the_order() -> None:
    told = made_month(drivers=10)
    people = document(told)["drivers"]
    assert [row["driver"] for row in people["rows"]] == [f"D-{n:04d}" for n in range(8)]
    assert people["open"]["ids"] == ["D-0008", "D-0009"] and "too little driving to say" in people["open"]["title"]
    alone = made_month(drivers=2)
    people = document(alone)["drivers"]
    assert people["rows"] == [] and people["any"] and "talk to first" not in people["note"]


def test_the_bars_of_a_class_add_up_to_its_number_of_the_month(store: Path) -> None:
    told, events = month_figures(store, MONTH), month_events(store, MONTH)
    wanted = dict(zip(("locked above cut-off", "anti-lock at work", "hard stop"),
                      (told.lockup_above_cutoff, told.modulation, told.hard_stops), strict=True))  # fmt: skip
    drawn = pd.DataFrame(next(iter(events_by_day(events, MONTH).to_dict()["datasets"].values())))
    read = month_reads.days(store, MONTH)
    assert sum(wanted.values()) > len(events[list(look.EVENT_CLASSES)].fillna(False).any(axis=1).loc[lambda s: s])
    for rows in (drawn, read):
        assert rows.groupby("shows")["events"].sum().to_dict() == wanted


def test_an_older_month_tells_who_was_silent_by_its_own_end(tmp_path: Path) -> None:
    """A vehicle recorded every day of January and never again: silent in February, not in January."""
    store = build_store(tmp_path)
    vehicle, other = PLAIN.vehicles[:2]
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(59)]
    with rebuilding(store) as con:
        con.execute("CREATE TEMP TABLE one AS SELECT * FROM events LIMIT 1")
        con.execute("DELETE FROM events")
        for who, until in ((vehicle, date(2026, 1, 31)), (other, date(2026, 2, 28))):
            for day in days:
                if day <= until:
                    con.execute(
                        "INSERT INTO events SELECT * REPLACE (? AS vehicle_id, ? || ?::VARCHAR AS event_id, "
                        "?::DATE::TIMESTAMP AT TIME ZONE 'UTC' + INTERVAL 9 HOUR AS started_at) FROM one",
                        [who, who, day, day],
                    )
        con.execute("UPDATE recording_facts SET newest_on = DATE '2026-02-28'")
    january, february = (
        {row["vehicle_id"]: row for row in month_silence(store, period(month)).to_pylist()}
        for month in ("2026-01", "2026-02")
    )
    assert january[vehicle]["silent"] is False and february[vehicle]["silent"] is True
    assert february[vehicle]["days_silent"] == 28 and february[vehicle]["silent_from_days"] == 4
    assert january[other]["told_on"] == date(2026, 1, 31) and february[other]["silent"] is False
    assert january[PLAIN.vehicles[2]]["silent"] is None, "not recorded by then"


def test_of_the_newest_month_it_is_the_rule_of_the_recordings_page(store: Path) -> None:
    facts = month_reads.frame(store, "SELECT * FROM recording_facts ORDER BY vehicle_id")
    told = month_silence(store, period("2026-12")).to_pandas()
    assert len(told) == len(facts) and told["last_on"].notna().sum() > 5
    for name in ("last_on", "days_silent", "silent_from_days", "silent"):
        assert [None if pd.isna(v) else v for v in told[name]] == [None if pd.isna(v) else v for v in facts[name]], name


def test_the_days_of_a_plan_made_later_are_said_to_be() -> None:
    told = made_month()
    assert document(told)["planned"] == "Planned"
    facts = [{**row, "newest_on": date(2026, 3, 20)} for row in told.tables["recording_facts"].to_pylist()]
    told.tables["recording_facts"] = table("recording_facts", facts)
    assert document(told)["planned"] == "Planned in the present plan"


def test_a_month_counts_what_a_driver_did_in_it(store: Path) -> None:
    rows = month_drivers(store, period(MONTH), None).to_pylist()
    events = pd.DataFrame(month_reads.frame(
        store, "SELECT * FROM events WHERE driver_id IS NOT NULL AND not_braking IS NULL"))  # fmt: skip
    mine = events[events["brake_source"].fillna("unknown").isin(["driver", "unknown"])]
    stops = mine[mine["hard_stop"].fillna(False)].groupby("driver_id").size().to_dict()
    assert {row["driver_id"]: row["hard_stops"] for row in rows if row["hard_stops"]} == stops
    assert {row["driver_id"]: row["applications"] for row in rows} == events.groupby("driver_id").size().to_dict()
    assert all(row["evidence_from"] <= row["evidence_to"] for row in rows)
    aliased = month_drivers(store, period(MONTH), lambda name: f"z{99 - PLAIN.drivers.index(name)}").to_pylist()
    names = [row["driver_id"] for row in aliased]
    assert names == sorted(names) and not set(names) & set(PLAIN.drivers)


NOTE = (
    "Counted 3.9 a 1000 km, adjusted 3.9 (2.2 to 5.8). In the same vehicles and conditions an average driver would "
    "have had 0.38, in the fleet as a whole 0.61: that raises it. 57 % of the adjusted rate comes from the driver's "
    "own stops, the rest from the other drivers: that lowers it. A hard stop would have been recorded on 1500 of "
    "2000 km: only these make the adjusted rate."
)
ROW = {
    "note": NOTE, "hard_stops_per_1000km": 3.872, "adjusted_hard_stops_per_1000km": 3.8502, "adjusted_low": 2.218,
    "adjusted_high": 5.842, "fleet_hard_stops_per_1000km": 0.6099, "expected_hard_stops": 0.5691, "observed_km": 1499.6,
    "distance_km": 2000.4,
}  # fmt: skip


@pytest.mark.parametrize(("measures", "factor"), [(METRIC, 1.0), (US, MILE)])
def test_a_note_has_the_figures_of_its_row_rounded_once(measures: Any, factor: float) -> None:
    said = driver_words.note(ROW, measures)
    for name in list(ROW)[1:6]:
        assert f"{float(ROW[name]) * factor:.2f}" in said, name  # type: ignore[arg-type]
    road = 1000 * 0.5691 / 1499.6 * factor
    assert f"would have had {road:.2f}, in the fleet" in said
    assert f"recorded on {1499.6 / factor:.0f} of {2000.4 / factor:.0f} {measures.label('distance')}" in said
    assert driver_words.note({**ROW, "note": None}, measures) == ""


def test_the_workbook_and_the_pdf_say_the_same_of_a_driver() -> None:
    told = made_month(measures=US)
    rows = told.tables["driver_style"].to_pylist()
    rows[0] |= ROW
    told.tables["driver_style"] = table("driver_style", rows)
    said = in_units_read(told.tables, US)["driver_style"]["note"][0].as_py()
    assert said == document(told)["drivers"]["rows"][0]["note"] == driver_words.note(ROW, US)
    assert document(told)["drivers"]["rows"][0]["adjusted"] == "6.20 (3.57 to 9.40)" and "adjusted 6.20 (3.57" in said


def test_coaching_in_other_units_comes_from_the_figures() -> None:
    item = {"sentence": "6 Feb 2026 from 35 km/h: deceleration up to 3.4 m/s², usual is 1.8. Typical of the 13.",
            "subject": "hard_stop", "value": 3.4456, "usual": 1.8349, "initial_speed_mps": 9.85}  # fmt: skip
    assert driver_words.coaching_sentence(item, METRIC) == item["sentence"]
    said = driver_words.coaching_sentence(item, US)
    # from the rounded metric figures it would be 11.2 and 5.9 ft/s²
    assert said == "6 Feb 2026 from 22 mph: deceleration up to 11.3 ft/s², usual is 6.0. Typical of the 13."


def test_a_rate_without_distance_is_said_to_be_per_application() -> None:
    assert "0.82 times the rate per application of the month before" in change_words(
        Change(1, 50, 0.82, 0.6, 1.1), False
    )
    assert "0.82 times the rate of the month before" in change_words(Change(1, 50, 0.82, 0.6, 1.1))


def test_first_page_names_the_vehicles_and_says_how_many_more() -> None:
    told = made_month(200)
    said = document(told)["also"]
    silent = [row for row in told.tables["month_silence"].to_pylist() if row["silent"]]
    silent.sort(key=lambda row: (-row["days_silent"], row["vehicle_id"]))
    named = " · ".join(row["vehicle_id"] for row in silent[:5])
    assert any(line.endswith(f": {named} and {len(silent) - 5} more") for line in said)
    assert "1 vehicle has an open report by a person or a lit warning lamp: V-0001" in said


def _with_trailers() -> MonthTold:
    told = made_month(6)
    rows = told.tables["vehicle_health"].to_pylist()
    for place, due in ((4, None), (5, AS_OF + timedelta(days=50))):
        rows[place] |= {"category": "O4", "priority": "too_little_evidence", "events_used": 0, "inspection_due_on": due}
    told.tables["vehicle_health"] = table("vehicle_health", rows)
    told.tables["to_inspect"] = told.tables["to_inspect"].slice(0, 0)
    return told


def test_trailers_are_listed_with_their_dates() -> None:
    others = document(_with_trailers())["inspect"]["others"]
    (trailers,) = [part for part in others if part["title"].startswith("Trailers")]
    assert [t.replace("\N{NO-BREAK SPACE}", " ") for t in trailers["ids"]] == [
        "V-0005, due 18 Apr 2026",
        "V-0004, no date known",
    ]
    assert "without a finding from the units that tow them" in trailers["title"]


def test_surfaces_say_when_they_are_told() -> None:
    (surface,) = [s for s in document(made_month())["rates"]["splits"] if s["title"] == "By road surface"]
    assert "only where friction was used up" in surface["note"]


def test_days_have_one_style() -> None:
    said = days_in_words(
        "In 3 events since 2026-01-09 or earlier; V-2026-01-09 and 2026-13-01 are no days, 2026-02-30."
    )
    assert said.replace("\N{NO-BREAK SPACE}", " ").startswith("In 3 events since 9 Jan 2026 or earlier; V-2026-01-09")
    assert "2026-13-01" in said and "2026-02-30" in said


def test_ids_can_be_copied_from_the_pdf(tmp_path: Path) -> None:
    """An alias has 17 letters and a vehicle's id may have 20: no break inside, no mark of direction around them."""
    told = made_month(8, drivers=6, named=lambda kind, n: f"driver-J2FXW3ME{n:02d}" if kind == "D" else f"VH-{n:04d}")
    write_pdf(tmp_path / "month.pdf", told)
    text = "".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "month.pdf").pages)
    assert "driver-J2FXW3ME00" in text and "driver-J2FXW3ME05" in text
    assert not any(mark in text for mark in INVISIBLE)


def test_what_was_pasted_with_invisible_characters_is_found(store: Path) -> None:
    vehicle, driver = PLAIN.vehicles[0], PLAIN.drivers[0]
    hidden = f" \u2068{vehicle[:3]}\u200b{vehicle[3:]}\u2069"
    assert known_vehicles(store, [hidden]) == [vehicle]
    assert as_pasted("a\u200bb", {"a\u200bb"}) == "a\u200bb", "an id that has them stays as it is"
    (talk,) = talks_with(store, [f"\u2068{driver}\u2069"])
    assert talk.row["driver_id"].startswith("driver-")
