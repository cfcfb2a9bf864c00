"""A vehicle's page: where it stands, what speaks against it since when, its history, and what can be done."""

import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import streamlit as st
from a_few import a_few
from builders import AS_OF, HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
import sign_in

from fleetbrake.access.caller import Caller
from fleetbrake.access.roles import Role, Viewer
from fleetbrake.planning import wishes
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.entered import entries
from fleetbrake.store.findings import enter_finding

OpenPage = Callable[..., AppTest]


def _text(app: AppTest) -> str:
    kinds: tuple[Any, ...] = (app.subheader, app.markdown, app.caption, app.text, app.info, app.warning)
    return "\n".join(str(item.value) for kind in (*kinds, app.success, app.metric) for item in kind)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return build_store(tmp_path / "store")


def test_it_says_where_to_look_first_and_leads_to_the_most_telling_event(open_page: OpenPage) -> None:
    app = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1])
    text = _text(app)
    assert "Position to look at first: **axle 1 right**" in text and "Pedal feels long" in text
    assert "planned 29 Jan 2026" in text and "**overdue** since 25 Jan 2026" in text
    links = [link.proto for link in app.get("page_link") if link.proto.label == "Look at its most telling event"]
    assert len(links) == 1 and f"event={PLAIN.vehicles[1]}" in links[0].query_string


def test_the_sheet_for_the_workshop_is_offered_under_the_vehicles_name(
    open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    offered, real = {}, st.download_button

    def button(label: str, *rest: Any, **how: Any) -> bool:
        offered[label] = how["file_name"]
        return real(label, *rest, **how)

    monkeypatch.setattr(st, "download_button", button)
    app = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1])
    assert "Sheet for the workshop (PDF)" in [button.proto.label for button in app.get("download_button")]
    assert offered["Sheet for the workshop (PDF)"] == f"workshop-{PLAIN.vehicles[1]}.pdf"


def test_what_stands_out_is_drawn_at_once_and_the_rest_can_be_chosen(open_page: OpenPage) -> None:
    app = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1])
    assert "**One wheel of an axle brakes less than the other, axle 1 right**" in _text(app)
    assert "The other 13 findings" in [expander.label for expander in app.expander]
    assert "Since 9 Jan 2026" in _text(app)


def test_of_one_indicator_the_wheel_is_drawn_and_the_whole_vehicle_left_to_the_rest() -> None:
    from fleetbrake.reports.findings import standing_out

    rows = pd.DataFrame(
        [
            ("brake_drag", None, 9.0, True), ("brake_drag", "1L", 9.0, True), ("side_imbalance", "2R", 5.0, True),
            ("slow_response", None, 2.0, pd.NA), ("brake_fade", None, 3.5, False),
        ],
        columns=["indicator", "wheel", "deviation", "ranks"],
    )  # fmt: skip
    drawn = standing_out(rows, "side_imbalance", most=4)
    assert list(zip(drawn["indicator"], drawn["wheel"].fillna(""), strict=True)) == [
        ("side_imbalance", "2R"), ("brake_drag", "1L"), ("brake_fade", ""),
    ]  # fmt: skip


def test_history_shows_entered_findings_before_the_next_score(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[1]
    found = Inspection(
        inspection_id="", vehicle_id=vehicle, inspected_on=AS_OF, wheel="1R", finding="side_imbalance", severity=2,
        note="worn",
    )  # fmt: skip
    enter_finding(store, "paula", [found], [Repair(vehicle_id=vehicle, repaired_on=AS_OF, wheel="1R", work="lining")])
    app = open_page("vehicle", store, vehicle=vehicle)
    assert f"last inspection {AS_OF.day} {AS_OF:%b %Y}" in _text(app), "not the older one of the register of vehicles"
    table = _history_table(app)
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    assert [(r["What"], r["Position"], r["Result"], r["Severity"], r["Entered by"]) for r in rows] == [
        ("inspection", "axle 1 right", "one wheel of an axle brakes less than the other", "major", "paula"),
        ("work", "axle 1 right", "lining renewed", None, "paula"),
    ]


def _history_table(app: AppTest) -> pd.DataFrame:
    (table,) = [frame.value for frame in app.dataframe if "Told by recordings before" in frame.value]
    return table


def test_history_says_what_recordings_had_told_before_an_inspection(open_page: OpenPage, store: Path) -> None:
    vehicle, day = PLAIN.vehicles[0], date(2026, 1, 20)
    inspection = {"inspection_id": "I1", "vehicle_id": vehicle, "inspected_on": day, "finding": "none", "severity": 0}
    told = {
        "inspection_id": "I1", "vehicle_id": vehicle, "inspected_on": day, "prior_probability": 0.42,
        "evidence_as_of": date(2026, 1, 18),
    }  # fmt: skip
    test = {"vehicle_id": vehicle, "tested_on": day, "method": "roller", "wheel": "1L", "max_force_n": 9000.0}
    report = {"vehicle_id": vehicle, "reported_at": datetime(2026, 1, 5, tzinfo=UTC), "text": "*pulls* left"}
    with rebuilding(store) as con:
        replace_table(con, "inspections", pd.DataFrame([inspection]))
        replace_table(con, "inspection_evidence", pd.DataFrame([told]))
        replace_table(con, "brake_tests", pd.DataFrame([test]))
        replace_table(con, "defect_reports", pd.DataFrame([report]))
    table = _history_table(open_page("vehicle", store, vehicle=vehicle)).set_index("What")
    assert table.loc["inspection", "Told by recordings before"] == (
        "42 % for a defect, by what was recorded until 2026-01-18"
    )
    assert table.loc["brake test", "Note"] == "greatest force 9000 N"
    assert table.loc["defect report", "Result"] == "*pulls* left"
    assert table.loc["defect report", "Note"] == "not cleared"


def test_flag_history_names_who_did_what(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    (flag,) = wishes.flags(store, vehicle)
    wishes.see_flag(store, flag, "paula")
    wishes.decide(store, flag, "watch", "paula", "run in", date(2026, 2, 10))
    app = open_page("vehicle", store, vehicle=vehicle)
    (table,) = [frame.value for frame in app.dataframe if "Step" in frame.value]
    assert table["Step"].tolist() == ["decided: watch, stands until 2026-02-10", "seen", "raised"]
    assert table["Who"].tolist() == ["paula", "paula", "scores"] and table["Reason"].iloc[0] == "run in"
    assert "**Flags: 1 open, 0 closed**" in _text(app)


def test_scores_of_earlier_days_are_drawn(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[1]
    before = _charts(open_page("vehicle", store, vehicle=vehicle))
    with rebuilding(store) as con:
        con.execute("INSERT INTO vehicle_health SELECT * REPLACE (DATE '2026-01-21' AS as_of) FROM vehicle_health")
    after = open_page("vehicle", store, vehicle=vehicle)
    assert _charts(after) == before + 1 and not after.exception


def _charts(app: AppTest) -> int:
    return len(app.get("arrow_vega_lite_chart")) + len(app.get("vega_lite_chart"))


def test_the_same_actions_as_on_the_list(open_page: OpenPage, store: Path) -> None:
    app = open_page("vehicle", store, vehicle=PLAIN.vehicles[3])
    assert {b.key for b in app.button} >= {"do_fix_4", "do_defer_4", "do_findings_4", "do_flags_4"}
    (button,) = [b for b in app.button if b.key == "do_findings_4"]
    app = button.click().run()
    (enter,) = [b for b in app.button if b.key == "enter_4"]
    app = enter.click().run()
    assert [e.vehicle_id for e in entries(store, ("finding",))] == [PLAIN.vehicles[3]] and len(app.success) == 1
    urgent = open_page("vehicle", store, vehicle=PLAIN.vehicles[0])
    assert not {"do_fix_1", "do_defer_1"} & {b.key for b in urgent.button}
    assert "outside the plan, and it cannot be deferred" in _text(urgent)


def test_who_may_not_act_sees_no_button(open_page: OpenPage, store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sign_in, "_local", lambda: Caller(Viewer("sam", frozenset({Role.SAFETY}))))
    app = open_page("vehicle", store, vehicle=PLAIN.vehicles[3])
    assert not app.exception and not [b for b in app.button if str(b.key).startswith("do_")]


def test_figures_follow_the_units(open_page: OpenPage) -> None:
    metric = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1])
    american = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1], units="us")
    assert "largest mass 18,000 kg · odometer 127,000 km" in _text(metric)
    # 18,000 / 0.45359237 and 127,000 / 1.609344 (computed)
    assert "largest mass 39,683 lb · odometer 78,914 mi" in _text(american)
    events = american.dataframe[-1].value
    assert {"From (mph)", "Peak decel. (ft/s²)"} <= set(events)


@pytest.mark.parametrize("vehicle", a_few(HOSTILE.vehicles[:6], 0, 3))
def test_hostile_text_of_people_stays_text(open_page: OpenPage, tmp_path: Path, vehicle: str) -> None:
    store = build_store(tmp_path / "hostile", hostile=True)
    wishes_text = "<b>x</b> **bold** :smile: www.example.org"
    found = Inspection(
        inspection_id="", vehicle_id=vehicle, inspected_on=AS_OF, finding="other", severity=1, note=wishes_text
    )
    enter_finding(store, "<i>eve</i>", [found])
    app = open_page("vehicle", store, vehicle=vehicle)
    assert not app.exception and app.selectbox[0].value == vehicle
    assert _history_table(app)["Note"].tolist() == [wishes_text]
    markup = "\n".join(str(i.value) for kind in (app.markdown, app.caption, app.warning) for i in kind)
    for raw in ("<script", "<b>", "<i>", "**bold**", "](javascript", ":smile:", "$x^2$", "www.example"):
        assert raw not in markup, raw


def test_lift_axles_and_trailers_are_drawn_with_their_words() -> None:
    import vl_convert

    from fleetbrake.reports import charts

    rows = pd.DataFrame({"indicator": ["brake_drag"], "wheel": ["2L"], "deviation": [4.2]})
    plan = charts.wheel_plan(rows, 3, lifted={3}, twins={2}, front="coupling")
    drawn = vl_convert.vegalite_to_svg(plan.to_dict())
    for words in ("axle 1", "axle 3", "lifts", "twin tyres", "coupling", "left", "right", "+4.2", "not known"):
        assert words in drawn, words
