"""The event page: figures in the reader's units, its neighbours, the time shown, the raw rows, and a gone recording."""

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import pandas as pd
import pyarrow.parquet as pq
import pytest
from builders import HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

from fleetbrake.access.roles import Role, Viewer
from fleetbrake.core.units import MPH
from fleetbrake.reports import reads
from fleetbrake.reports.raw_rows import raw_csv, raw_rows
from fleetbrake.store.database import rebuilding

OpenPage = Callable[..., AppTest]
LOCKED = f"{PLAIN.vehicles[0]}/locked-0"


def _text(app: AppTest) -> str:
    kinds = (app.header, app.subheader, app.markdown, app.caption, app.text, app.info, app.warning)
    return "\n".join(str(item.value) for kind in kinds for item in kind).replace("\\", "")


def _facts(app: AppTest) -> dict[str, str]:
    rows = pd.concat([table.value.iloc[:, :2].set_axis(["fact", "value"], axis=1) for table in app.table])
    return {str(fact): str(value).replace("\\", "") for fact, value in rows.itertuples(index=False)}


def _spec(app: AppTest) -> dict[str, Any]:
    (chart,) = app.get("arrow_vega_lite_chart") + app.get("vega_lite_chart")
    return dict(json.loads(chart.proto.spec))


def _axis_units(app: AppTest) -> list[str]:
    axes = [layer.get("encoding", {}).get("y", {}).get("axis") for layer in _spec(app)["layer"]]
    return [axis["title"] for axis in axes if axis]


def test_figures_and_axes_are_metric_by_default(open_page: OpenPage) -> None:
    app = open_page("event", "filled", event=LOCKED)
    facts = _facts(app)
    assert facts["Initial speed"] == "64.8 km/h" and facts["Longest lockup of a wheel"] == "1.00 s"
    assert "19 times in 20" in _text(app)
    assert _axis_units(app) == ["km/h", "slip", "%", "kPa", "m/s²"]
    wheels = app.dataframe[0].value
    assert wheels.set_index("Wheel").loc["1L", "Locked (s)"] == 1.0


def test_figures_and_axes_follow_the_units_of_the_address(open_page: OpenPage) -> None:
    app = open_page("event", "filled", event=LOCKED, units="us")
    facts = _facts(app)
    assert facts["Initial speed"] == f"{18.0 / MPH:.1f} mph"
    assert facts["Braking distance"].endswith(" ft") and facts["Peak deceleration (0.2 s mean)"].endswith(" ft/s²")
    assert _axis_units(app) == ["mph", "slip", "%", "psi", "ft/s²"]
    assert "at (mph)" in app.dataframe[0].value and "Slid (ft)" in app.dataframe[0].value
    assert not app.exception


def test_what_is_missing_is_a_dash_with_its_reason(open_page: OpenPage) -> None:
    app = open_page("event", "filled", event=LOCKED)
    facts = _facts(app)
    assert facts["Air temperature"] in ("–", "the air temperature was not recorded")
    (why,) = [table.value for table in app.table if "Why it is missing" in table.value]
    reason = dict(why.itertuples(index=False))
    assert reason["Mass"].replace("\\", "") == "no mass was recorded"
    assert "Why it is missing" in why and len(why) >= 5 and why["Why it is missing"].str.len().min() > 10


def test_the_time_shown_is_chosen_and_stands_in_the_address(open_page: OpenPage) -> None:
    app = open_page("event", "filled", event=LOCKED)
    (choice,) = app.get("button_group")[-1:]
    assert "first lockup" in [option.content for option in choice.proto.options]
    zoomed = open_page("event", "filled", event=LOCKED, show="first lockup")
    domain = next(
        layer["encoding"]["x"]["scale"]["domain"]
        for layer in _spec(zoomed)["layer"]
        if "scale" in layer["encoding"].get("x", {})
    )
    # built: locked from 2.5 s to 3.5 s; half a second of room, a sample of play
    assert domain == pytest.approx([2.0, 4.0], abs=0.03)
    # an address of another event may name what this one has not
    other = open_page("event", "filled", event=f"{PLAIN.vehicles[0]}/plain-0", show="first lockup")
    assert not other.exception and _spec(other)


def test_events_before_and_after_are_linked(open_page: OpenPage, stores: dict[str, Path]) -> None:
    rows = reads.frame(
        stores["filled"],
        "SELECT event_id FROM events WHERE vehicle_id = ? ORDER BY started_at, event_id",
        [PLAIN.vehicles[0]],
    )["event_id"].tolist()
    place = rows.index(LOCKED)
    app = open_page("event", "filled", event=LOCKED)
    found = {link.proto.label.replace("\\", ""): link.proto.query_string for link in app.get("page_link")}
    before = [parse_qs(q)["event"][0] for label, q in found.items() if "before" in label]
    after = [parse_qs(q)["event"][0] for label, q in found.items() if "after" in label]
    assert before == rows[max(place - 1, 0) : place] and after == rows[place + 1 : place + 2]
    assert before or after


def test_a_gone_recording_leaves_figures_and_spans(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    (store / "recordings" / "day-0.parquet").unlink()
    app = open_page("event", store, event=LOCKED)
    assert not app.exception and "no longer" in _text(app)
    assert _facts(app)["Longest lockup of a wheel"] == "1.00 s"
    spec = _spec(app)
    assert spec["config"]["signals"] == [] and any(layer["mark"]["type"] == "rect" for layer in spec["layer"])
    assert not app.toggle, "no rows to show"


def test_raw_rows_are_those_of_the_file(open_page: OpenPage, stores: dict[str, Path]) -> None:
    app = open_page("event", "filled", event=LOCKED)
    before = len(app.dataframe)
    app.toggle[0].set_value(True).run()
    assert len(app.dataframe) == before + 1 and not app.exception
    shown = app.dataframe[-1].value
    row = reads.event(stores["filled"], LOCKED)
    assert row is not None
    whole = pq.read_table(row["source_path"]).slice(row["row_start"], row["row_stop"] - row["row_start"]).to_pandas()
    assert shown["speed_mps"].tolist() == whole["speed_mps"].tolist() and len(shown) == 700
    assert set(shown["driver_id"]) == set(whole["driver_id"])


def test_the_place_is_for_the_safety_role_only(
    open_page: OpenPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = build_store(tmp_path)
    with rebuilding(store) as con:
        con.execute("UPDATE events SET latitude_deg = 47.19283, longitude_deg = -8.91827")
    app = open_page("event", store, event=LOCKED, raw="true")
    assert "47.19283° N, 8.91827° W" in _text(app)
    import page_parts  # lies beside the app, which puts its folder on the path

    monkeypatch.setattr(page_parts, "viewer", lambda: Viewer("p", frozenset({Role.PLANNER})))
    planner = open_page("event", store, event=LOCKED, raw="true")
    assert not planner.exception and "47.19" not in _text(planner)
    assert "safety role only" in _text(planner)
    raw = planner.dataframe[-1].value
    assert "speed_mps" in raw and "driver_id" not in raw
    assert not any(driver in _text(planner) for driver in PLAIN.drivers)


def test_hostile_ids_come_out_of_the_raw_rows_as_text(open_page: OpenPage) -> None:
    app = open_page("event", "hostile", event=f"{HOSTILE.vehicles[0]}/locked-0", raw="true")
    assert not app.exception
    assert f"{HOSTILE.vehicles[0]}/locked-0" in set(app.dataframe[-1].value["event_id"])
    assert "<script" not in "\n".join(str(item.value) for kind in (app.markdown, app.caption) for item in kind)
    assert "<script" not in json.dumps(_spec(app))


def test_an_empty_store_says_so(open_page: OpenPage) -> None:
    app = open_page("event", "empty", event="any")
    assert not app.exception and "no such event" in _text(app) and "No event yet" in _text(app)


def test_a_store_that_is_replaced_under_the_page_shows_the_new_one(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    app = open_page("event", store, event=LOCKED)
    with rebuilding(store) as con:
        con.execute("UPDATE events SET initial_speed_mps = 20.0 WHERE event_id = ?", [LOCKED])
    app.run()
    assert _facts(app)["Initial speed"] == "72.0 km/h"


def test_the_download_is_the_raw_rows(stores: dict[str, Path]) -> None:
    row = reads.event(stores["hostile"], f"{HOSTILE.vehicles[2]}/locked-2")
    row = row or reads.event(stores["hostile"], f"{HOSTILE.vehicles[0]}/locked-0")
    assert row is not None
    rows = raw_rows(stores["hostile"], row, drivers=True)
    back = pd.read_csv(io.BytesIO(raw_csv(rows)))
    assert back["speed_mps"].tolist() == pytest.approx(rows["speed_mps"].tolist(), abs=1e-12)
    assert not back["driver_id"].str.match(r"[=+\-@]").any(), "nothing begins like a formula"
