"""The planner's page: what must not wait, the list, the plan, and what can be done from it."""

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from builders import AS_OF, HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
import page_actions
import page_jobs
import plan_parts
import sign_in
from seat import Seat

from fleetbrake.access.roles import Role, Viewer
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.planning.wishes import flags, wishes
from fleetbrake.reports import reads
from fleetbrake.reports.measures import METRIC
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.entered import entries

ROOT = Path(__file__).resolve().parents[2]
OpenPage = Callable[..., AppTest]
ANALYST = Viewer("ann", frozenset({Role.ANALYST}))
PLANNER = Viewer("paula", frozenset({Role.PLANNER}))


def _text(app: AppTest) -> str:
    kinds = (
        app.header,
        app.subheader,
        app.markdown,
        app.caption,
        app.text,
        app.info,
        app.warning,
        app.success,
        app.error,
    )
    return "\n".join(str(item.value) for kind in kinds for item in kind)


def _vehicles(app: AppTest) -> list[str]:
    """Vehicles of the list in order: the links before the plan that lead to a vehicle's page."""
    links = [link.proto for link in app.get("page_link")]
    return [link.label.replace("\\", "") for link in links if "vehicle=" in link.query_string]


def _listed(app: AppTest) -> list[str]:
    return list(dict.fromkeys(_vehicles(app)))


def _press(app: AppTest, label: str, key: str | None = None) -> AppTest:
    (button,) = [b for b in app.button if b.label == label and (key is None or b.key == key)]
    return button.click().run()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return build_store(tmp_path / "store")


@pytest.fixture
def at_address(stores: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> OpenPage:
    """Opens the page of the filled store as a link does: the address is there before the first run."""

    def _at(**parameters: str) -> AppTest:
        monkeypatch.setenv("FLEETBRAKE_STORE", str(stores["filled"]))
        app = AppTest.from_file(str(ROOT / "dashboards" / "app.py"), default_timeout=60)
        for name, value in parameters.items():
            app.query_params[name] = value
        return app.run()

    return _at


@pytest.fixture
def as_viewer(monkeypatch: pytest.MonkeyPatch) -> Callable[[Viewer], None]:
    """Makes the pages take everybody for this viewer."""

    def _as(viewer: Viewer) -> None:
        from fleetbrake.access.caller import Caller

        monkeypatch.setattr(sign_in, "LOCAL_USER", viewer)
        monkeypatch.setattr(sign_in, "_local", lambda: Caller(viewer))

    return _as


def test_what_must_not_wait_heads_the_page_and_the_rest_follows_by_rank(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    assert [h.value for h in app.subheader][:2] == ["Before the next trip (1)", "Ranked list"]
    assert _listed(app)[:11] == list(PLAIN.vehicles[:11])
    text = _text(app)
    assert CAUTION in text and "28 Jan 2026" in text
    assert "Brakes give 24 % less deceleration" in text and "22 (8 to 33)" in text and "before next trip" in text
    assert "2 h kept free on 29 Jan 2026" in text and "They cannot be deferred" in text
    assert "**overdue** since 16 Jan 2026" in text and "Pedal feels long" in text
    assert "position: **axle 1 right**" in text and "flag not seen yet" in text
    assert app.dataframe[0].value.shape[0] == 12


def test_what_must_not_wait_has_neither_a_date_nor_a_deferral(open_page: OpenPage) -> None:
    keys = {b.key for b in open_page("inspections", "filled").button}
    assert {"do_findings_1", "do_flags_1", "do_fix_2", "do_defer_2"} <= keys
    assert not {"do_fix_1", "do_defer_1"} & keys


def test_each_flagged_row_leads_to_its_most_telling_event_in_one_click(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    links = [link.proto for link in app.get("page_link") if link.proto.label == "Look at its most telling event"]
    assert len(links) == 5 and all("event=BUS-" in link.query_string for link in links)


def test_filters_narrow_the_list_and_what_must_not_wait_stays(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    app.multiselect(key="soon").select("too little evidence").run()
    assert _listed(app)[:2] == [PLAIN.vehicles[0], PLAIN.vehicles[-1]]
    app.multiselect(key="depot").select("Harbour").run()
    assert "No vehicle fits" in _text(app)
    app.multiselect(key="depot").unselect("Harbour").select("Millfield").run()
    assert "In other depots, or not shown (1)" in _text(app) and not app.exception


def test_filters_and_length_are_taken_from_the_address(at_address: OpenPage) -> None:
    app = at_address(depot="Harbour", list="all", soon="no sign found")
    assert app.multiselect(key="depot").value == ["Harbour"]
    assert app.selectbox(key="list").value == "all"
    table = app.dataframe[0].value
    assert set(table["Depot"]) == {"Harbour"} and set(table["How soon"]) == {"○○○○ no sign found"}


def test_the_units_of_the_address_are_those_of_the_page(open_page: OpenPage) -> None:
    metric = open_page("inspections", "filled").dataframe[0].value
    assert "Since roller test (km)" in metric
    american = open_page("inspections", "filled", units="us")
    assert "Since roller test (mi)" in american.dataframe[0].value
    links = [link.proto.query_string for link in american.get("page_link")]
    assert links and all("units=us" in query for query in links)


def test_the_list_can_be_longer_and_names_what_a_short_one_hides(open_page: OpenPage, store: Path) -> None:
    with rebuilding(store) as con:
        con.execute(
            "UPDATE vehicles SET inspection_due_on = DATE '2026-01-02' WHERE vehicle_id = ?", [PLAIN.vehicles[11]]
        )
        con.execute("UPDATE vehicle_health SET open_report = '*lamp* lit' WHERE rank = 12")
    app = open_page("inspections", store)
    assert app.selectbox(key="list").options == ["first 10", "first 25", "first 50", "all flagged", "all"]
    assert "Overdue and not in this list (1)" in _text(app) and "Open report and not in this list (1)" in _text(app)
    app.selectbox(key="list").select("all").run()
    assert _listed(app) == list(PLAIN.vehicles) and "not in this list" not in _text(app)
    assert "**Open report:** \\*lamp\\* lit" in _text(app)
    app.selectbox(key="list").select("all flagged").run()
    assert _listed(app) == [*PLAIN.vehicles[:5], PLAIN.vehicles[11]]


def test_the_plan_says_how_good_it_is_and_what_it_assumes(open_page: OpenPage) -> None:
    text = _text(open_page("inspections", "filled"))
    assert "29 Jan 2026 to 11 Feb 2026: 3 visits." in text
    assert (
        "From the scores of 28 Jan 2026, " in text
        and "days of it are over: recordings since then are not in it" in text
    )
    # gain 20.0 of at most 20.4 over both depots
    assert "at most 2 % from the best possible plan" in text
    assert "Capacity assumed, eight bay hours on working days: Millfield." in text


def test_the_board_has_a_day_a_column_with_hours_taken_and_closed_days(at_address: OpenPage) -> None:
    app = at_address(board="Harbour")
    text = _text(app)
    assert text.count("**") >= 28 and "**Thu 29 Jan**" in text and "**Wed 11 Feb**" in text
    assert text.count("closed") == 4 and "2 of 8 h" in text and "roller tester 0.5 of 4 h" in text
    assert "2 h kept free: before the next trip" in text.replace("\\", "")
    assert "2 of 8 h (assumed)" in _text(at_address(board="Millfield"))
    assert at_address(depot="Millfield").selectbox(key="board").options == ["Millfield"]


def test_dates_that_cannot_be_kept_come_first_with_the_reason(open_page: OpenPage, store: Path) -> None:
    with rebuilding(store) as con:
        con.execute(
            "UPDATE inspection_plan SET planned_on = NULL, date_lost = DATE '2026-02-03', "
            "note = 'no bay hours until 11 Feb' WHERE vehicle_id = ?",
            [PLAIN.vehicles[2]],
        )
    text = _text(open_page("inspections", store))
    assert "**Statutory dates that cannot be kept (1)**" in text
    assert "due 3 Feb 2026: no bay hours until 11 Feb" in text


def test_a_fixed_date_is_entered_and_shown(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Fix the date", "do_fix_3")
    (days,) = [box for box in app.selectbox if box.label == "Day with bay hours"]
    assert len(days.options) == 10, "the working days of two weeks"
    assert days.options[0] == "Thu 29 Jan 2026: 2 of 8 h taken"
    days.select_index(2)
    app = _press_form(app, "Fix the date")
    assert wishes(store).fixed == {PLAIN.vehicles[2]: date(2026, 2, 2)}
    text = _text(app).replace("\\", "")
    assert "date fixed for 2 Feb 2026" in text and "date fixed: 2 Feb 2026 (plan again to take it in)" in text
    app = _press(_press(app, "Fix the date", "do_fix_3"), "Release the date")
    assert wishes(store).fixed == {} and not app.exception


def _press_form(app: AppTest, label: str) -> AppTest:
    (button,) = [b for b in app.button if b.label == label and not str(b.key).startswith("do_")]
    return button.click().run()


def test_a_deferral_needs_a_reason_and_is_shown(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = _press(open_page("inspections", store), "Defer (reason)", "do_defer_4")
    app.date_input[0].set_value(date(2026, 2, 8))
    refused = _press_form(app, "Defer")
    assert len(refused.error) == 1 and entries(store, ("deferred",)) == []
    app.text_input[0].set_value("waits for *parts*")
    app = _press_form(app, "Defer")
    assert wishes(store).deferred[vehicle].reason == "waits for *parts*"
    assert "deferred until 8 Feb 2026: waits for \\*parts\\*" in _text(app)


def test_a_deferral_past_the_statutory_date_is_refused_in_a_sentence(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Defer (reason)", "do_defer_3")
    app.date_input[0].set_value(date(2026, 2, 20))
    app.text_input[0].set_value("later")
    app = _press_form(app, "Defer")
    assert len(app.error) == 1 and "2026" in app.error[0].value
    assert entries(store, ("deferred",)) == []


def test_a_flag_is_seen_and_decided(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = _press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    app = _press(app, "Mark as seen")
    assert flags(store, vehicle)[0].seen_by == "local user"
    assert "flag seen by local user" in _text(app)
    app = _press(app, "Decide on flags (1)", "do_flags_4")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    decision.select("watch")
    app.date_input[0].set_value(date(2026, 2, 10))
    refused = _press_form(app, "Decide")
    assert len(refused.error) == 1, "a reason is missing"
    app.text_input[0].set_value("new linings are being run in")
    app = _press_form(app, "Decide")
    found = flags(store, vehicle)[0]
    assert (found.decision, found.expires_on, found.reason) == (
        "watch", date(2026, 2, 10), "new linings are being run in",
    )  # fmt: skip
    assert "flag watch until 10 Feb 2026" in _text(app)


def test_a_decision_on_what_somebody_else_decided_meanwhile_is_refused_once(open_page: OpenPage, store: Path) -> None:
    vehicle = PLAIN.vehicles[3]
    app = _press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    page_actions.asked.decide(store, flags(store, vehicle)[0], "inspect_now", "paula")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    decision.select("watch")
    app.text_input[0].set_value("run in")
    app.date_input[0].set_value(date(2026, 2, 10))
    app = _press_form(app, "Decide")
    assert len(app.error) == 1 and "changed meanwhile by paula at" in app.error[0].value
    assert flags(store, vehicle)[0].decision == "inspect_now"
    assert any("inspect now (decided by paula)" in str(item.value) for item in app.text), "the form shows it now"
    app = _press_form(app, "Decide")
    assert not app.error and flags(store, vehicle)[0].decision == "watch"


@pytest.mark.parametrize(
    ("what", "rank", "send"), [("fix", 3, "Fix the date"), ("defer", 4, "Defer"), ("findings", 3, "Enter findings")]
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
    app = _press_form(app, send)
    assert len(app.error) == 1 and "changed meanwhile by paula at" in app.error[0].value
    assert len(entries(store)) == before
    app = _press_form(app, send)
    assert not app.error and len(entries(store)) > before


def test_only_an_inspection_now_can_be_decided_for_what_must_not_wait(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Decide on flags (1)", "do_flags_1")
    (decision,) = [box for box in app.selectbox if box.label == "Decision"]
    assert decision.options == ["inspect now"]
    _press_form(app, "Decide")
    assert flags(store, PLAIN.vehicles[0])[0].decision == "inspect_now"


def test_findings_of_several_wheels_are_entered_with_the_work_done(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.number_input[0].set_value(2).run()
    app.date_input[0].set_value(AS_OF)
    app.selectbox(key="wheel_2_0").select("1R")
    app.selectbox(key="what_2_0").select("side_imbalance")
    app.selectbox(key="grave_2_0").select(2)
    app.selectbox(key="work_2_0").select("lining")
    app.text_input(key="note_2_0").set_value("worn *flat*")
    assert "axle 1 right" in app.selectbox(key="wheel_2_0").options and len(app.selectbox(key="wheel_2_0").options) == 5
    app = _press(app, "Enter findings", "enter_2")
    assert not app.error, [e.value for e in app.error]
    rows = [entry.body.row for entry in entries(store, ("finding",), PLAIN.vehicles[1])]
    assert [(r.wheel, r.finding, r.severity, r.note) for r in rows] == [
        ("1R", "side_imbalance", 2, "worn *flat*"),
        (None, "none", 0, None),
    ]
    (work,) = [entry.body.row for entry in entries(store, ("work",), PLAIN.vehicles[1])]
    assert (work.wheel, work.work, work.repaired_on) == ("1R", "lining", AS_OF)
    assert "2 finding(s) of 28 Jan 2026 entered. Score again to take them in." in _text(app).replace("\\", "")


def test_a_visit_may_be_the_statutory_inspection(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.date_input[0].set_value(AS_OF)
    app.checkbox(key="statutory_2").check().run()
    assert app.selectbox(key="statutory_kind_2").options[0] == "inspection"
    app = _press(app, "Enter findings", "enter_2")
    assert "next statutory inspection due" in app.error[0].value and entries(store, ("finding", "date_met")) == []
    app.date_input(key="statutory_next_2").set_value(date(2027, 1, 28))
    app = _press(app, "Enter findings", "enter_2")
    assert not app.error, [e.value for e in app.error]
    (met,) = entries(store, ("date_met",), PLAIN.vehicles[1])
    assert (met.body.kind, met.body.done_on, met.body.next_due_on) == ("inspection", AS_OF, date(2027, 1, 28))


def test_a_finding_without_a_severity_is_refused(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app.selectbox(key="what_2_0").select("brake_drag")
    app = _press(app, "Enter findings", "enter_2")
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
    app = _press(open_page("inspections", store), "Enter findings", "do_findings_2")
    assert app.selectbox(key="report_2").options == ["none", "20 Jan 2026: <b>long</b>"]
    app.selectbox(key="report_2").select_index(1)
    app = _press(app, "Enter findings", "enter_2")
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
    app = _press(open_page("inspections", store), "Decide on flags (1)", "do_flags_4")
    _press(app, "Mark as seen")
    assert flags(store, PLAIN.vehicles[3])[0].seen_by == "paula"


def test_the_next_run_shows_a_store_that_was_replaced_and_what_others_entered(open_page: OpenPage, store: Path) -> None:
    app = open_page("inspections", store)
    turned = reads.frame(store, "SELECT * FROM vehicle_health")
    turned["priority"] = "watch"
    with rebuilding(store) as con:
        replace_table(con, "vehicle_health", turned)
    app.run()
    assert "Before the next trip" not in " ".join(h.value for h in app.subheader)
    page_actions.asked.fix_date(store, PLAIN.vehicles[3], date(2026, 2, 3), "somebody")
    app.run()
    assert "date fixed: 3 Feb 2026" in _text(app)


@pytest.mark.parametrize("what", ["fix", "defer", "findings", "flags"])
def test_forms_of_hostile_vehicles_stay_text(open_page: OpenPage, tmp_path: Path, what: str) -> None:
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
    app = _press(open_page("inspections", store), "Enter findings", "do_findings_2")
    app = _press(app, "Enter findings", "enter_2")
    assert [e.vehicle_id for e in entries(store, ("finding",))] == [HOSTILE.vehicles[1]] and not app.exception


def test_files_of_the_plan_are_offered(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    labels = [button.proto.label for button in app.get("download_button")]
    assert labels == ["Calendar (.ics)", "Workbook (.xlsx)", "Findings sheet (.csv)"]


def test_a_filled_sheet_is_taken_in_and_bad_rows_are_told(open_page: OpenPage, store: Path, capsys: Any) -> None:
    sheet = (
        "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n"
        f",{PLAIN.vehicles[1]},2026-01-28,1R,side_imbalance,2,worn\n"
        f",{PLAIN.vehicles[2]},2026-01-28,9R,brake_drag,1,\n"
    )
    app = open_page("inspections", store)
    app.get("file_uploader")[0].set_value(("findings.csv", sheet.encode(), "text/csv")).run()
    app = _press(app, "Take in the findings")
    text = _text(app)
    assert "1 finding(s) taken in" in text and "**1 row(s) were not taken in**" in text
    assert [e.vehicle_id for e in entries(store, ("finding",))] == [PLAIN.vehicles[1]]


def test_planning_again_runs_beside_the_page_and_its_sentence_is_told(open_page: OpenPage, store: Path) -> None:
    app = _press(open_page("inspections", store), "Plan again")
    assert not app.exception and [b.label for b in app.button if b.disabled][:2] == ["Plan again", "Score again"]
    job = page_jobs._jobs()[str(store.resolve())]
    job.process.wait(timeout=240)
    done, sentence = page_jobs.outcome(job)
    assert done and sentence.startswith("Planned: "), sentence
    app.run()
    assert sentence in _text(app).replace("\\", "")
