"""The planner's page: what must not wait, the list, and the plan."""

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from builders import PLAIN, build_store
from pressing import text_of
from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
import page_actions

from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports import reads
from fleetbrake.store.database import rebuilding, replace_table

ROOT = Path(__file__).resolve().parents[2]
OpenPage = Callable[..., AppTest]


def _vehicles(app: AppTest) -> list[str]:
    """Vehicles of the list in order: the links before the plan that lead to a vehicle's page."""
    links = [link.proto for link in app.get("page_link")]
    return [link.label.replace("\\", "") for link in links if "vehicle=" in link.query_string]


def _listed(app: AppTest) -> list[str]:
    return list(dict.fromkeys(_vehicles(app)))


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


def test_what_must_not_wait_heads_the_page_and_the_rest_follows_by_rank(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    assert [h.value for h in app.subheader][:2] == ["Before the next trip (1)", "Ranked list"]
    assert _listed(app)[:11] == list(PLAIN.vehicles[:11])
    text = text_of(app)
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
    assert "No vehicle fits" in text_of(app)
    app.multiselect(key="depot").unselect("Harbour").select("Millfield").run()
    assert "In other depots, or not shown (1)" in text_of(app) and not app.exception


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
    assert "Overdue and not in this list (1)" in text_of(app) and "Open report and not in this list (1)" in text_of(app)
    app.selectbox(key="list").select("all").run()
    assert _listed(app) == list(PLAIN.vehicles) and "not in this list" not in text_of(app)
    assert "**Open report:** \\*lamp\\* lit" in text_of(app)
    app.selectbox(key="list").select("all flagged").run()
    assert _listed(app) == [*PLAIN.vehicles[:5], PLAIN.vehicles[11]]


def test_the_plan_says_how_good_it_is_and_what_it_assumes(open_page: OpenPage) -> None:
    text = text_of(open_page("inspections", "filled"))
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
    text = text_of(app)
    assert text.count("**") >= 28 and "**Thu 29 Jan**" in text and "**Wed 11 Feb**" in text
    assert text.count("closed") == 4 and "2 of 8 h" in text and "roller tester 0.5 of 4 h" in text
    assert "2 h kept free: before the next trip" in text.replace("\\", "")
    assert "2 of 8 h (assumed)" in text_of(at_address(board="Millfield"))
    assert at_address(depot="Millfield").selectbox(key="board").options == ["Millfield"]


def test_dates_that_cannot_be_kept_come_first_with_the_reason(open_page: OpenPage, store: Path) -> None:
    with rebuilding(store) as con:
        con.execute(
            "UPDATE inspection_plan SET planned_on = NULL, date_lost = DATE '2026-02-03', "
            "note = 'no bay hours until 11 Feb' WHERE vehicle_id = ?",
            [PLAIN.vehicles[2]],
        )
    text = text_of(open_page("inspections", store))
    assert "**Statutory dates that cannot be kept (1)**" in text
    assert "due 3 Feb 2026: no bay hours until 11 Feb" in text


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
    assert "date fixed: 3 Feb 2026" in text_of(app)


def test_files_of_the_plan_are_offered(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    labels = [button.proto.label for button in app.get("download_button")]
    assert labels == ["Calendar (.ics)", "Workbook (.xlsx)", "Findings sheet (.csv)", "Workshop sheets (.pdf)"]
