"""The safety manager's page: both rates, depots and driver in the address, units, the sheet."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

from fleetbrake.reports import reads
from fleetbrake.store.database import rebuilding, replace_table

OpenPage = Callable[..., AppTest]


def _text(app: AppTest) -> str:
    kinds = (app.header, app.subheader, app.markdown, app.caption, app.text, app.info, app.warning, app.metric)
    return "\n".join(str(item.value) for kind in kinds for item in kind).replace("\\", "")


def test_depots_narrow_table_and_list(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled")
    app.multiselect(key="depot").set_value([PLAIN.depots[1]]).run()
    assert not app.exception
    table = app.dataframe[0].value
    assert set(table["Depot"]) == {PLAIN.depots[1]} and len(table) == 3
    assert app.selectbox[0].options == table["Driver"].tolist()


def test_a_link_to_a_driver_holds_whatever_depots_are_chosen(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled", driver=PLAIN.drivers[2])
    app.multiselect(key="depot").set_value([PLAIN.depots[1]]).run()
    assert not app.exception and app.selectbox[0].value == PLAIN.drivers[2]
    assert app.selectbox[0].options[0] == PLAIN.drivers[2] and len(app.selectbox[0].options) == 4


def test_the_drivers_figures_and_vehicles_of_the_events_are_told(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled", driver=PLAIN.drivers[1])
    shown = {metric.label: metric.value for metric in app.metric}
    assert shown["Distance"] == "2,350 km" and shown["Adjusted"] == "7.80 per 1000 km"
    assert shown["90 % interval"] == "4.68 to 11.7"
    assert re.search(r"UTC, vehicle (BUS|VAN)-\d+", _text(app))


def test_us_units_everywhere_also_in_sentences_and_headings(open_page: OpenPage) -> None:
    app = open_page("drivers", "filled", driver=PLAIN.drivers[1], units="us")
    text = _text(app)
    assert "Distance (mi)" in app.dataframe[0].value and "Brake energy (BTU/mi)" in app.dataframe[0].value
    assert "4.5 m/s²" not in text and "14.8 ft/s²" in text and "Brakes smoothly" in text
    assert not re.search(r"\d (km|m/s[²³]|per 1000 km)", text)
    chart = str([item.proto for kind in ("arrow_vega_lite_chart", "vega_lite_chart") for item in app.get(kind)])
    assert "hard stops per 1000 mi" in chart and "1000 km" not in chart
    metric = open_page("drivers", "filled").dataframe[0].value["Distance (km)"]
    assert (app.dataframe[0].value["Distance (mi)"] / metric).dropna().round(6).unique().tolist() == [0.621371]


def test_what_was_not_observed_stays_missing_in_any_unit(open_page: OpenPage) -> None:
    for units in ("metric", "us"):
        table = open_page("drivers", "filled", units=units).dataframe[0].value
        assert table.filter(like="Adjusted").iloc[-1].isna().all()


@pytest.mark.parametrize("store", ["filled", "hostile"])
def test_the_sheet_is_offered(open_page: OpenPage, store: str) -> None:
    ids = PLAIN if store == "filled" else HOSTILE
    app = open_page("drivers", store, driver=ids.drivers[1])
    labels = [button.proto.label for button in app.get("download_button")]
    assert labels == ["Sheet for the talk (PDF)"] and not app.exception


def test_a_store_replaced_under_the_page_is_shown_anew(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    app = open_page("drivers", store, driver=PLAIN.drivers[1])
    fewer = reads.drivers(store).head(1)
    with rebuilding(store) as con:
        replace_table(con, "driver_style", fewer)
    app.run()
    assert not app.exception and app.dataframe[0].value["Driver"].tolist() == [PLAIN.drivers[0]]
    assert app.selectbox[0].value is None and "no such driver" in " ".join(w.value for w in app.warning)
    assert not app.get("download_button"), "nobody else is shown in his place"


def test_thousands_of_drivers_are_listed_and_few_charted(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    one = reads.drivers(store).head(1)
    many = one.loc[one.index.repeat(2000)].reset_index(drop=True)
    many["driver_id"], many["rank"] = [f"M-{n}" for n in range(2000)], range(1, 2001)
    with rebuilding(store) as con:
        replace_table(con, "driver_style", many)
    app = open_page("drivers", store)
    assert len(app.dataframe[0].value) == 2000
    assert "The chart shows the first 25 of 2000 drivers" in _text(app)
