"""What can be done from the planner's page: dates, deferrals, decisions, findings, sheets, a new plan."""

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from a_few import a_few
from builders import AS_OF, HOSTILE, PLAIN, build_store
from pressing import press, press_form, text_of
from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
import page_actions
import page_jobs
import plan_parts
import sign_in
from seat import Seat

from fleetbrake.access.roles import Role, Viewer
from fleetbrake.planning.wishes import flags, wishes
from fleetbrake.reports.measures import METRIC
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.entered import entries

OpenPage = Callable[..., AppTest]
ANALYST = Viewer("ann", frozenset({Role.ANALYST}))
PLANNER = Viewer("paula", frozenset({Role.PLANNER}))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return build_store(tmp_path / "store")


@pytest.fixture
def as_viewer(monkeypatch: pytest.MonkeyPatch) -> Callable[[Viewer], None]:
    """Makes the pages take everybody for this viewer."""

    def _as(viewer: Viewer) -> None:
        from fleetbrake.access.caller import Caller

        monkeypatch.setattr(sign_in, "LOCAL_USER", viewer)
        monkeypatch.setattr(sign_in, "_local", lambda: Caller(viewer))

    return _as


def test_a_fixed_date_is_entered_and_shown(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Fix the date", "do_fix_3")
    (days,) = [box for box in app.selectbox if box.label == "Day with bay hours"]
    assert len(days.options) == 10, "the working days of two weeks"
    assert days.options[0] == "Thu 29 Jan 2026: 2 of 8 h taken"
    days.select_index(2)
    app = press_form(app, "Fix the date")
    assert wishes(store).fixed == {PLAIN.vehicles[2]: date(2026, 2, 2)}
    text = text_of(app).replace("\\", "")
    assert "date fixed for 2 Feb 2026" in text and "date fixed: 2 Feb 2026 (plan again to take it in)" in text
    app = press(press(app, "Fix the date", "do_fix_3"), "Release the date")
    assert wishes(store).fixed == {} and not app.exception


def test_a_deferral_needs_a_reason_and_is_shown(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = press(open_page("inspections", store), "Defer (reason)", "do_defer_4")
    app.date_input[0].set_value(date(2026, 2, 8))
    refused = press_form(app, "Defer")
    assert len(refused.error) == 1 and entries(store, ("deferred",)) == []
    app.text_input[0].set_value("waits for *parts*")
    app = press_form(app, "Defer")
    assert wishes(store).deferred[vehicle].reason == "waits for *parts*"
    assert "deferred until 8 Feb 2026: waits for \\*parts\\*" in text_of(app)


def test_a_deferral_past_the_statutory_date_is_refused_in_a_sentence(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Defer (reason)", "do_defer_3")
    app.date_input[0].set_value(date(2026, 2, 20))
    app.text_input[0].set_value("later")
    app = press_form(app, "Defer")
    assert len(app.error) == 1 and "2026" in app.error[0].value
    assert entries(store, ("deferred",)) == []


def test_a_flag_is_seen_and_decided(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    app = press(app, "Mark as seen")
    assert flags(store, vehicle)[0].seen_by == "local user"
    assert "flag seen by local user" in text_of(app)
    app = press(app, "Decide on flags (1)", "do_flags_4")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    decision.select("watch")
    app.date_input[0].set_value(date(2026, 2, 10))
    refused = press_form(app, "Decide")
    assert len(refused.error) == 1, "a reason is missing"
    app.text_input[0].set_value("new linings are being run in")
    app = press_form(app, "Decide")
    found = flags(store, vehicle)[0]
    assert (found.decision, found.expires_on, found.reason) == (
        "watch", date(2026, 2, 10), "new linings are being run in",
    )  # fmt: skip
    assert "flag watch until 10 Feb 2026" in text_of(app)


def test_a_decision_on_what_somebody_else_decided_meanwhile_is_refused_once(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    page_actions.asked.decide(store, flags(store, vehicle)[0], "inspect_now", "paula")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    decision.select("watch")
    app.text_input[0].set_value("run in")
    app.date_input[0].set_value(date(2026, 2, 10))
    app = press_form(app, "Decide")
    assert len(app.error) == 1 and "changed meanwhile by paula at" in app.error[0].value
    assert flags(store, vehicle)[0].decision == "inspect_now"
    assert any("inspect now (decided by paula)" in str(item.value) for item in app.text), "the form shows it now"
    app = press_form(app, "Decide")
    assert not app.error and flags(store, vehicle)[0].decision == "watch"


@pytest.mark.parametrize(
    ("what", "rank", "send"),
    a_few([("fix", 3, "Fix the date"), ("defer", 4, "Defer"), ("findings", 3, "Enter findings")], 2),
)
def test_every_form_is_refused_once_the_vehicle_was_changed_meanwhile(
    open_page: OpenPage, store: Path, what: str, rank: int, send: str
) -> None:
    vehicle = PLAIN.vehicles[rank - 1]
    app = open_page("inspections", store)
    (button,) = [b for b in app.button if b.key == f"do_{what}_{rank}"]
    app = button.click().run()
    page_actions.asked.fix_date(store, vehicle, date(2026, 1, 30), "paula")
    before = len(entries(store))
    if what == "defer":
        app.date_input[0].set_value(date(2026, 2, 8))
        app.text_input[0].set_value("parts")
    app = press_form(app, send)
    assert len(app.error) == 1 and "changed meanwhile by paula at" in app.error[0].value
    assert len(entries(store)) == before
    app = press_form(app, send)
    assert not app.error and len(entries(store)) > before


def test_only_an_inspection_now_can_be_decided_for_what_must_not_wait(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Decide on flags (1)", "do_flags_1")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    assert decision.options == ["inspect now"]
    press_form(app, "Decide")
    assert flags(store, PLAIN.vehicles[0])[0].decision == "inspect_now"


def test_findings_of_several_wheels_are_entered_with_the_work_done(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.number_input[0].set_value(2).run()
    app.date_input[0].set_value(AS_OF)
    app.selectbox(key="wheel_2_0").select("1R")
    app.selectbox(key="what_2_0").select("side_imbalance")
    app.selectbox(key="grave_2_0").select(2)
    app.selectbox(key="work_2_0").select("lining")
    app.text_input(key="note_2_0").set_value("worn *flat*")
    assert "axle 1 right" in app.selectbox(key="wheel_2_0").options and len(app.selectbox(key="wheel_2_0").options) == 5
    app = press(app, "Enter findings", "enter_2")
    assert not app.error, [e.value for e in app.error]
    rows = [entry.body.row for entry in entries(store, ("finding",), PLAIN.vehicles[1])]
    assert [(r.wheel, r.finding, r.severity, r.note) for r in rows] == [
        ("1R", "side_imbalance", 2, "worn *flat*"),
        (None, "none", 0, None),
    ]
    (work,) = [entry.body.row for entry in entries(store, ("work",), PLAIN.vehicles[1])]
    assert (work.wheel, work.work, work.repaired_on) == ("1R", "lining", AS_OF)
    assert "2 finding(s) of 28 Jan 2026 entered. Score again to take them in." in text_of(app).replace("\\", "")


def test_a_visit_may_be_the_statutory_inspection(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.date_input[0].set_value(AS_OF)
    app.checkbox(key="statutory_2").check().run()
    assert app.selectbox(key="statutory_kind_2").options[0] == "inspection"
    app = press(app, "Enter findings", "enter_2")
    assert "next statutory inspection due" in app.error[0].value and entries(store, ("finding", "date_met")) == []
    app.date_input(key="statutory_next_2").set_value(date(2027, 1, 28))
    app = press(app, "Enter findings", "enter_2")
    assert not app.error, [e.value for e in app.error]
    (met,) = entries(store, ("date_met",), PLAIN.vehicles[1])
    assert (met.body.kind, met.body.done_on, met.body.next_due_on) == ("inspection", AS_OF, date(2027, 1, 28))


def test_a_finding_without_a_severity_is_refused(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.selectbox(key="what_2_0").select("brake_drag")
    app = press(app, "Enter findings", "enter_2")
    assert len(app.error) == 1 and "everity" in app.error[0].value and entries(store, ("finding",)) == []


def test_an_open_report_is_answered_by_the_visit(open_page: OpenPage, store: Path) -> None:
    import pandas as pd

    told = {
        "vehicle_id": [PLAIN.vehicles[1]],
        "reported_at": [pd.Timestamp("2026-01-20T06:00Z")],
        "text": ["<b>long</b>"],
    }
    with rebuilding(store) as con:
        replace_table(con, "defect_reports", pd.DataFrame(told))
    app = press(open_page("inspections", store), "Enter findings", "do_findings_2")
    assert app.selectbox(key="report_2").options == ["none", "20 Jan 2026: <b>long</b>"]
    app.selectbox(key="report_2").select_index(1)
    app = press(app, "Enter findings", "enter_2")
    assert not app.error, [e.value for e in app.error]
    (answer,) = entries(store, ("report_answered",))
    assert answer.body.text == "<b>long</b>"


def test_who_may_not_act_sees_no_button_and_no_call_gets_through(
    open_page: OpenPage, store: Path, as_viewer: Callable[[Viewer], None]
) -> None:
    before = len(entries(store))
    as_viewer(ANALYST)
    app = open_page("inspections", store)
    assert not app.exception and [b.label for b in app.button] == [] and not app.get("file_uploader")
    seat = Seat(store, ANALYST, METRIC)
    assert page_jobs.run_plan(seat) and page_jobs.run_score(seat)
    page_actions.act(seat, "done", lambda *_: pytest.fail("nothing may be written"))
    plan_parts._take_in(seat, b"inspection_id,vehicle_id,inspected_on,finding\n")
    assert len(entries(store)) == before


def test_a_planner_acts_under_the_own_name(
    open_page: OpenPage, store: Path, as_viewer: Callable[[Viewer], None]
) -> None:
    as_viewer(PLANNER)
    app = press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    press(app, "Mark as seen")
    assert flags(store, PLAIN.vehicles[3])[0].seen_by == "paula"


@pytest.mark.parametrize("what", a_few(["fix", "defer", "findings", "flags"], 2))
def test_forms_of_hostile_vehicles_staytext_of(open_page: OpenPage, tmp_path: Path, what: str) -> None:
    store = build_store(tmp_path / "hostile", hostile=True)
    app = open_page("inspections", store)
    (button,) = [b for b in app.button if b.key == f"do_{what}_2"]
    app = button.click().run()
    assert not app.exception
    markup = "\n".join(str(i.value) for kind in (app.markdown, app.caption, app.success, app.error) for i in kind)
    for raw in ("<script", "<i>", "**bold**", "](javascript", ":smile:", "$x^2$", "www.example"):
        assert raw not in markup, raw


def test_an_entry_of_a_hostile_vehicle_is_kept_under_its_own_id(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path / "hostile", hostile=True)
    app = press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app = press(app, "Enter findings", "enter_2")
    assert [e.vehicle_id for e in entries(store, ("finding",))] == [HOSTILE.vehicles[1]] and not app.exception


def test_a_filled_sheet_is_taken_in_and_bad_rows_are_told(open_page: OpenPage, store: Path, capsys: Any) -> None:
    sheet = (
        "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n"
        f",{PLAIN.vehicles[1]},2026-01-28,1R,side_imbalance,2,worn\n"
        f",{PLAIN.vehicles[2]},2026-01-28,9R,brake_drag,1,\n"
    )
    app = open_page("inspections", store)
    app.get("file_uploader")[0].set_value(("findings.csv", sheet.encode(), "text/csv")).run()
    app = press(app, "Take in the findings")
    text = text_of(app)
    assert "1 finding(s) taken in" in text and "**1 row(s) were not taken in**" in text
    assert [e.vehicle_id for e in entries(store, ("finding",))] == [PLAIN.vehicles[1]]


@pytest.mark.long  # the walk in tests/browser presses it too
def test_planning_again_runs_beside_the_page_and_its_sentence_is_told(open_page: OpenPage, store: Path) -> None:
    app = press(open_page("inspections", store), "Plan again")
    assert not app.exception and [b.label for b in app.button if b.disabled][:2] == ["Plan again", "Score again"]
    job = page_jobs._jobs()[str(store.resolve())]
    job.process.wait(timeout=240)
    done, sentence = page_jobs.outcome(job)
    assert done and sentence.startswith("Planned: "), sentence
    app.run()
    assert sentence in text_of(app).replace("\\", "")
