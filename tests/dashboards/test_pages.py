"""Every page: with data, with hostile ids, with an empty store, without a store, with a damaged one."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import reads
from fleetbrake.store.database import rebuilding, replace_table

PAGES = ("inspections", "vehicle", "event", "drivers", "month", "recordings")
OpenPage = Callable[..., AppTest]


def _text(app: AppTest) -> str:
    """All that the page says, as the places that read Markdown get it."""
    kinds = (app.header, app.subheader, app.markdown, app.caption, app.text, app.info, app.warning, app.metric)
    return "\n".join(str(item.value) for kind in kinds for item in kind)


def _address(app: AppTest, name: str) -> str:
    """What the address says: a text where the test set it, a list where a page did."""
    said = app.query_params[name]
    return said if isinstance(said, str) else said[0]


@pytest.mark.parametrize("store", ["filled", "hostile", "empty", "none"])
@pytest.mark.parametrize("view", PAGES)
def test_every_page_of_every_store_is_drawn_without_a_traceback(open_page: OpenPage, view: str, store: str) -> None:
    app = open_page(view, store)
    assert not app.exception and not app.error
    assert [h.value for h in app.header] == [view.capitalize()]
    if store in ("empty", "none"):
        assert len(app.info) >= 1, "an empty page says why it is empty"
    if store == "hostile":
        _escaped(app)


@pytest.mark.parametrize("view", PAGES)
def test_without_a_chosen_store_the_page_says_how_to_choose(view: str, open_page: OpenPage) -> None:
    app = open_page(view, None)
    assert not app.exception
    assert "Start the pages with `fleetbrake dashboard --store DIR`" in _text(app)


@pytest.mark.parametrize("view", PAGES)
def test_a_damaged_database_is_a_sentence(view: str, open_page: OpenPage, tmp_path: Path) -> None:
    (tmp_path / "fleet.duckdb").write_bytes(b"\0" * 20_000)
    app = open_page(view, tmp_path)
    assert not app.exception and len(app.info) == 1


@pytest.mark.parametrize("view", ["inspections", "vehicle"])
def test_pages_with_a_score_say_what_it_rests_on(view: str, open_page: OpenPage) -> None:
    app = open_page(view, "filled")
    assert "learned from past inspections" in _text(app).replace("\\", "")
    hostile = open_page(view, "empty")
    assert not hostile.exception and "learned from past" not in _text(hostile)


def test_how_scores_compare_with_inspections_is_shown_for_both_models(open_page: OpenPage) -> None:
    app = open_page("inspections", "filled")
    assert "How scores compare with what inspections found" in [e.label for e in app.expander]
    table = app.dataframe[1].value
    assert set(table["Model"]) == {"prior", "learned"} and set(table.loc[table["In use"], "Model"]) == {"learned"}


def test_the_vehicle_page_opens_the_asked_vehicle_and_tells_of_unknown_ones(open_page: OpenPage) -> None:
    app = open_page("vehicle", "filled", vehicle=PLAIN.vehicles[1])
    assert app.selectbox[0].value == PLAIN.vehicles[1]
    assert "Pedal feels long" in _text(app) and "38 (24 to 49)" in _text(app)
    unknown = open_page("vehicle", "filled", vehicle="<b>nobody</b>")
    assert "no such vehicle" in _text(unknown) and "<b>nobody</b>" in [t.value for t in unknown.text]


def test_a_vehicle_that_is_not_there_is_replaced_by_none(open_page: OpenPage, tmp_path: Path) -> None:
    unknown = open_page("vehicle", "filled", vehicle="VAN-999")
    assert _address(unknown, "vehicle") == "VAN-999", "the address stays"
    assert unknown.selectbox[0].value is None and not unknown.button and not unknown.dataframe
    chosen = unknown.selectbox[0].select(PLAIN.vehicles[2]).run()
    assert _address(chosen, "vehicle") == PLAIN.vehicles[2] and "no such" not in _text(chosen) and chosen.button


def test_a_vehicle_that_a_replaced_store_lacks_is_gone_with_its_buttons(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    vehicle = PLAIN.vehicles[2]
    app = open_page("vehicle", store, vehicle=vehicle)
    assert app.selectbox[0].value == vehicle and app.button
    with rebuilding(store) as con:
        for table in ("vehicles", "vehicle_health", "events", "indicators"):
            con.execute(f"DELETE FROM {table} WHERE vehicle_id = ?", [vehicle])
    app.run()
    assert "no such vehicle" in _text(app) and not app.button and _address(app, "vehicle") == vehicle


def test_a_driver_who_is_not_there_is_replaced_by_none(open_page: OpenPage) -> None:
    unknown = open_page("drivers", "filled", driver="D-999")
    assert _address(unknown, "driver") == "D-999" and unknown.selectbox[0].value is None
    assert not unknown.metric and not unknown.get("download_button")
    chosen = unknown.selectbox[0].select(PLAIN.drivers[1]).run()
    assert _address(chosen, "driver") == PLAIN.drivers[1] and chosen.metric


def test_an_event_nobody_knows_is_told(open_page: OpenPage) -> None:
    app = open_page("event", "filled", event="<img src=x onerror=alert(1)>")
    assert "no such event" in _text(app) and not app.exception


@pytest.mark.parametrize("vehicle", HOSTILE.vehicles[6:])  # the others: tests of the vehicle page
def test_a_hostile_vehicle_opens_by_its_address(open_page: OpenPage, vehicle: str) -> None:
    app = open_page("vehicle", "hostile", vehicle=vehicle)
    assert not app.exception and app.selectbox[0].value == vehicle


def test_a_hostile_event_opens_by_its_address(open_page: OpenPage) -> None:
    for vehicle in HOSTILE.vehicles[:2]:
        app = open_page("event", "hostile", event=f"{vehicle}/locked-{HOSTILE.vehicles.index(vehicle)}")
        assert not app.exception and app.table
        assert f"{vehicle}/locked-{HOSTILE.vehicles.index(vehicle)}" in [t.value for t in app.text]


@pytest.mark.parametrize(
    ("view", "asked"), [("vehicle", HOSTILE.vehicles[5]), ("event", f"{HOSTILE.vehicles[0]}/locked-0")]
)
def test_hostile_ids_reach_markdown_only_escaped(open_page: OpenPage, view: str, asked: str) -> None:
    """By their addresses; as they open by themselves above."""
    _escaped(open_page(view, "hostile", **{view: asked}))


def _escaped(app: AppTest) -> None:
    markup = "\n".join(str(item.value) for kind in (app.markdown, app.caption, app.info, app.warning) for item in kind)
    for raw in ("<script", "<i>", "<b>", "**bold**", "](javascript", ":smile:", "$x^2$", "www.example"):
        assert raw not in markup, raw


def test_no_page_allows_raw_html() -> None:
    root = Path(__file__).resolve().parents[2] / "dashboards"
    for path in root.rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        assert "unsafe_allow_html" not in source and "unsafe_allow_javascript" not in source, path
        # the one style sheet is a constant
        assert re.findall(r"st\.html\((.*?)\)", source) in ([], ["_STYLE"]), path


def test_the_next_run_shows_a_database_that_was_replaced(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    app = open_page("inspections", store)
    turned = reads.frame(store, "SELECT * FROM vehicle_health")
    turned["rank"] = turned["rank"].to_numpy()[::-1]
    with rebuilding(store) as con:
        replace_table(con, "vehicle_health", turned)
    app.run()
    assert app.dataframe[0].value["Vehicle"].tolist() == list(PLAIN.vehicles)[::-1]


def test_recordings_tell_each_files_story(open_page: OpenPage) -> None:
    app = open_page("recordings", "filled")
    reasons, unknown = app.dataframe[0].value, app.dataframe[-1].value
    assert "recordings/cut-off.parquet" in set(reasons["For example"])
    assert any("the file ends before its footer" in why for why in reasons["Why"])
    assert unknown["Id"].tolist() == ["D-177?", "VAN-090?"]


def test_drivers_show_both_rates_and_why(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled")
    table = app.dataframe[0].value
    assert table["Driver"].tolist() == list(PLAIN.drivers)
    assert {"Counted (per 1000 km)", "Adjusted (per 1000 km)", "low", "high"} <= set(table)
    assert "not a verdict" in _text(app)
    assert "icy route" in _text(open_page("drivers", "filled", driver=PLAIN.drivers[2]))


def test_higher_than_counted_is_not_told_as_a_pull_towards_the_average(open_page: OpenPage) -> None:
    text = _text(open_page("drivers", "filled"))
    assert "Higher than counted" in text and "Lower than counted" in text and "towards the average" not in text


def test_what_is_no_brake_application_has_no_classes(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    event = f"{PLAIN.vehicles[0]}/locked-0"
    with rebuilding(store) as con:
        con.execute("UPDATE events SET not_braking = 'standstill', brake_source = NULL WHERE event_id = ?", [event])
    app = open_page("event", store, event=event)
    text = _text(app)
    assert "No brake application: standstill" in text and "source of the demand not recorded" in text
    assert not app.metric and "could not be observed" not in text + app.table[0].value.to_string()
    other = open_page("event", store, event=f"{PLAIN.vehicles[0]}/plain-0")
    assert len(other.metric) == 5 and "asked for by driver" in _text(other)


def test_drivers_page_is_fair_and_says_what_nobody_is_known_for(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled")
    text = _text(app)
    assert DRIVER_CAUTION in text and "What it does not mean." in text
    assert (
        "No driver is known for 25 % of the distance (1,000 of 4,000 km) and 10 % of the hard stops (2 of 20)." in text
    )
    assert {"By the vehicle itself", "Last second of a stop", "Brake energy (kJ/km)"} <= set(app.dataframe[0].value)


def test_drivers_page_shows_events_to_talk_about_and_what_went_well(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled", driver=PLAIN.drivers[1])
    assert app.selectbox[0].value == PLAIN.drivers[1]
    text = _text(app).replace("\\", "")
    assert [h.value for h in app.subheader] == ["Worth talking about", "Went well"]
    assert f"deceleration of driver {PLAIN.drivers[1]} up to 4.5 m/s²" in text and "Brakes smoothly" in text
    links = [link.proto for link in app.get("page_link") if link.proto.label == "Look at the event"]
    assert len(links) == 1 and "event=" in links[0].query_string


@pytest.mark.parametrize("driver", HOSTILE.drivers)
def test_a_hostile_driver_opens_by_his_address(open_page: OpenPage, driver: str) -> None:
    app = open_page("drivers", "hostile", driver=driver)
    assert not app.exception and app.selectbox[0].value == driver


def test_an_unknown_driver_is_told_as_text(open_page: OpenPage) -> None:
    unknown = open_page("drivers", "hostile", driver="<b>nobody</b>")
    assert "no such driver" in _text(unknown) and "<b>nobody</b>" in [t.value for t in unknown.text]
