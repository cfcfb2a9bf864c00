"""The replay of one event: what its panels, cursor, picture and friction hold, and that it compiles and draws."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import vl_convert
from builders import PLAIN

from fleetbrake.core.units import KMH, MPH
from fleetbrake.reports import charts, look, traces
from fleetbrake.reports.charts import friction, panels, replay
from fleetbrake.reports.charts.spans import span_words
from fleetbrake.reports.measures import METRIC, US, Measures

LOCKED = f"{PLAIN.vehicles[0]}/locked-0"


@pytest.fixture(scope="module")
def locked(store: Path) -> traces.Traces:
    found = traces.event_traces(store, LOCKED)
    assert found is not None and not found.problem
    return found


def _svg(spec: dict[str, Any]) -> str:
    return str(vl_convert.vegalite_to_svg(spec | {"width": 700, "autosize": {"type": "pad"}}))


def _texts(spec: dict[str, Any]) -> str:
    return " ".join(
        str(row["text"])
        for layer in spec["layer"]
        for row in layer.get("data", {}).get("values", [])
        if isinstance(row, dict) and "text" in row
    )


def _axes(spec: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Unit -> scale of the panels with an axis of their own."""
    found = {}
    for layer in spec["layer"]:
        y = layer.get("encoding", {}).get("y", {})
        if y.get("axis"):
            found[y["axis"]["title"]] = y["scale"]
    return found


def _lines(spec: dict[str, Any], domain: list[float]) -> list[list[dict[str, Any]]]:
    """Rows of the lines of the panel with that range of px."""
    return [
        layer["data"]["values"]
        for layer in spec["layer"]
        if layer["mark"]["type"] == "line" and layer["encoding"].get("y", {}).get("scale", {}).get("range") == domain
    ]


def test_panels_lie_under_each_other_over_one_time_axis(locked: traces.Traces) -> None:
    spec = charts.event_chart(locked)
    texts = _texts(spec)
    for word in ("Speed", "judged", "slip", "pedal", "pressure", "Deceleration", "Wheels at the cursor"):
        assert word in texts
    axes = _axes(spec)
    assert list(axes) == ["km/h", "slip", "%", "kPa", "m/s²"]
    tops = [scale["range"][1] for scale in axes.values()]
    bottoms = [scale["range"][0] for scale in axes.values()]
    assert all(above < below for above, below in zip(bottoms, tops[1:], strict=False))
    assert bottoms[-1] == spec["height"]
    # one view: every layer that has a time axis has the same one
    x = [layer["encoding"]["x"] for layer in spec["layer"] if "scale" in layer["encoding"].get("x", {})]
    assert all(one["scale"] == x[0]["scale"] for one in x) and spec["width"] == "container"
    assert "locked 1.00 s" in _svg(spec)


def test_compiled_it_has_the_clock_and_the_one_time_scale_that_expressions_name(locked: traces.Traces) -> None:
    vega = vl_convert.vegalite_to_vega(charts.event_chart(locked))
    # the signals come through the configuration as they are; the shared scale is called x
    names = {signal["name"] for signal in vega["config"]["signals"]}
    assert names == {replay.NOW, "replay_running", "replay_pace"}
    assert not names & {signal["name"] for signal in vega["signals"]}
    assert [scale["name"] for scale in vega["scales"]].count("x") == 1
    (rule,) = [mark for mark in vega["marks"] if f"scale('x', {replay.NOW})" in json.dumps(mark)]
    assert rule["type"] == "rule" and rule["clip"]
    # what stands right of the panels is not cut off by them
    assert any("datum.reads" in json.dumps(m) and not m.get("clip") for m in vega["marks"] if m["type"] == "text")


def test_what_was_not_recorded_has_no_panel() -> None:
    time = np.arange(0, 2, 0.1)
    bare = traces.Traces("e", vehicle=pd.DataFrame({"time_s": time, "speed_mps": 20 - time}))
    spec = charts.event_chart(bare)
    assert list(_axes(spec)) == ["km/h"] and "seen from above" not in _texts(spec)
    assert _svg(spec).startswith("<svg")


def test_without_samples_the_known_spans_are_drawn_and_there_is_no_cursor() -> None:
    spans = pd.DataFrame({"wheel": ["1L"], "start_s": [1.0], "stop_s": [2.0], "kind": ["lockup"]})
    spec = charts.event_chart(traces.Traces("e", spans=spans, problem="gone"))
    assert spec["config"]["signals"] == [] and "locked 1.00 s" in _svg(spec)
    assert _svg(charts.event_chart(traces.Traces("e"))).startswith("<svg")


@pytest.mark.parametrize(("measures", "unit", "mps"), [(METRIC, "km/h", KMH), (US, "mph", MPH)])
def test_lines_are_the_samples_in_the_readers_unit(
    locked: traces.Traces, measures: Measures, unit: str, mps: float
) -> None:
    spec = charts.event_chart(locked, measures)
    lines = _lines(spec, _axes(spec)[unit]["range"])
    assert len(lines) == 2 + 4  # vehicle, channel, four wheels
    wheel = locked.wheels[locked.wheels["wheel"] == "1L"].set_index("time_s")["speed_mps"]
    drawn = pd.Series({row["time_s"]: row["value"] for row in lines[2]})
    # a line short enough is drawn in full; figures are rounded to four digits
    assert len(drawn) == len(wheel)
    np.testing.assert_allclose(drawn.to_numpy() * mps, wheel.to_numpy(), atol=1e-4)


def test_a_stretch_is_drawn_alone_and_in_full(locked: traces.Traces) -> None:
    spec = charts.event_chart(locked, stretch=(2.0, 4.0))
    times = [row["time_s"] for rows in _lines(spec, _axes(spec)["km/h"]["range"]) for row in rows]
    assert min(times) == pytest.approx(2.0, abs=1e-3) and max(times) == pytest.approx(4.0, abs=1e-3)
    slider = next(s for s in spec["config"]["signals"] if s["name"] == replay.NOW)
    assert (slider["bind"]["min"], slider["bind"]["max"]) == (2.0, 4.0)
    # the cursor waits in the middle of the lockup built from 2.5 s to 3.5 s
    assert slider["value"] == pytest.approx(3.0, abs=0.02)


def test_the_cursor_reads_the_nearest_sample(locked: traces.Traces) -> None:
    spec = charts.event_chart(locked)
    rows = pd.DataFrame(spec["datasets"]["cursor"])
    # every time has exactly one row, and it is that of the nearest sample
    assert (rows["until_s"].iloc[:-1].to_numpy() == rows["from_s"].iloc[1:].to_numpy()).all()
    inside = rows.iloc[1:-1]
    # rounded to four digits: half a step, a rounding apart
    np.testing.assert_allclose((inside["from_s"] + inside["until_s"]) / 2, inside["time_s"], atol=1e-4)
    found = rows[(rows["from_s"] <= 3.004) & (rows["until_s"] > 3.004)]
    assert len(found) == 1 and found["time_s"].iloc[0] == pytest.approx(3.0, abs=1e-3)
    cells = next(
        step["from"]["data"]["values"]
        for layer in spec["layer"]
        for step in layer.get("transform", [])
        if "lookup" in step and step["from"]["fields"] == ["dx", "y", "name"]
    )
    reads = [(cell["name"], found[cell["key"]].iloc[0]) for cell in cells]
    # built: 18 m/s less 6 m/s2 over 0.9 s is 12.6 m/s; wheel 1L stands; the smoother may round a tenth
    assert float(reads[0][1]) == pytest.approx(12.6 * 3.6, abs=0.5) and reads[0][0] == "vehicle"
    assert ("1L", "0.0") in reads and ("1L", "1.00") in reads and ("pedal position", "62") in reads


def test_each_wheel_has_its_state_at_each_time(locked: traces.Traces) -> None:
    at = np.array([0.5, 3.0, 6.5])
    time = locked.vehicle["time_s"].to_numpy()
    at = time[np.searchsorted(time, at)]
    assert replay.wheel_states(locked, "1L", at)[:2] == ["rolling", "locked"]
    assert replay.wheel_states(locked, "2R", at)[:2] == ["rolling", "rolling"]
    # standing: no slip can be told, and that is said
    assert replay.wheel_states(locked, "1L", at)[2] == "not known"


def test_states_come_from_spans_before_slip_and_lost_signals_from_nothing_else() -> None:
    time = np.arange(0.0, 5.0, 0.1)
    slip = pd.DataFrame({"time_s": time, "wheel": "1L", "slip": np.where(time > 4.0, 0.2, 0.0)})
    kinds = ["modulation", "near_miss", "lockup", "lost"]
    spans = pd.DataFrame(
        {"wheel": "1L", "start_s": [0.5, 1.0, 2.0, 3.0], "stop_s": [2.5, 1.5, 2.8, 3.5], "kind": kinds}
    )
    found = replay.wheel_states(traces.Traces("e", slip=slip, spans=spans), "1L", time[[0, 8, 12, 22, 32, 45]])
    assert found == ["rolling", "modulating", "caught", "locked", "no signal", "slipping"]
    assert set(found) | {"not known"} == set(replay.STATES)


def test_a_reading_that_was_not_recorded_is_a_dash() -> None:
    line = panels.Line("x", np.array([0.0, 0.1, 0.2]), np.array([1.0, np.nan, 3.0]), "#000000", 1)
    assert replay.read_at(line, np.array([0.0, 0.1, 0.2, 0.3])) == ["1.0", look.MISSING, "3.0", look.MISSING]


def test_the_replay_steps_a_long_recording_more_coarsely() -> None:
    time = np.arange(6000) / 100
    kept = replay.stops(time, 0.0, 60.0)
    assert len(kept) <= replay.MOST_STOPS and kept[0] == 0
    assert len(replay.stops(time, 10.0, 12.0)) == 201  # a short stretch keeps every sample


def test_a_long_recording_of_many_wheels_stays_small() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(6000) / 100
    names = [f"{axle}{side}" for axle in range(1, 7) for side in "LR"]
    wheels = pd.concat(
        [pd.DataFrame({"time_s": time, "wheel": w, "speed_mps": 20 + rng.normal(0, 0.1, 6000)}) for w in names]
    )
    slip = wheels.rename(columns={"speed_mps": "slip"}).assign(slip=0.01)
    vehicle = pd.DataFrame({"time_s": time, "speed_mps": 20.0, "low_mps": 19.0, "high_mps": 21.0})
    spec = charts.event_chart(traces.Traces("e", vehicle=vehicle, wheels=wheels, slip=slip))
    # 25 lines of 6,000 samples would be over 8 MB
    assert len(json.dumps(spec)) < 2_500_000


def test_every_kind_of_span_is_drawn_in_words_and_the_band_breaks_where_nothing_carries_it() -> None:
    time = np.arange(0, 10, 0.1)
    speed = np.where((time > 4) & (time < 5), np.nan, 20.0 - time)
    spans = pd.DataFrame(
        {
            "wheel": ["1L", "1R", "2L", "2R", "vehicle"],
            "start_s": [1.0, 1.0, 1.0, 1.0, 4.0],
            "stop_s": [2.5, 1.4, 3.0, 1.5, 5.0],
            "kind": ["lockup", "near_miss", "modulation", "lost", "unknown"],
            "slip": [np.nan, 0.63, np.nan, np.nan, np.nan],
            "cycles": [np.nan, np.nan, 6.0, np.nan, np.nan],
            "hz": [np.nan, np.nan, 8.2, np.nan, np.nan],
        }
    )
    vehicle = pd.DataFrame({"time_s": time, "speed_mps": speed, "low_mps": speed - 0.4, "high_mps": speed + 0.4})
    spec = charts.event_chart(traces.Traces("e", vehicle=vehicle, spans=spans))
    drawn = _svg(spec)
    for words in ("locked 1.50 s", "slip 0.63", "6 cycles, 8.2 Hz", "no signal 0.50 s", "not known 1.00 s"):
        assert words in drawn
    for kind in spans["kind"]:
        assert look.SPAN_LOOKS[kind][0] in drawn
    for mark in ("area", "line"):
        rows = next(layer["data"]["values"] for layer in spec["layer"] if layer["mark"]["type"] == mark)
        assert len({row["stretch"] for row in rows}) == 2 and not any(4 < row["time_s"] < 5 for row in rows)


def test_a_frequency_that_the_rate_may_hide_is_not_written() -> None:
    span = {"wheel": "1L", "start_s": 1.0, "stop_s": 3.0, "kind": "modulation", "slip": np.nan, "cycles": 4.0}
    assert span_words(pd.DataFrame([span | {"hz": np.nan}])) == ["4 cycles"]


def test_friction_panel_draws_pairs_curve_and_the_pair_at_the_cursor() -> None:
    pairs = pd.DataFrame(
        {"slip": [0.05, 0.2, 1.0], "rate": [0.5, 0.8, 0.55], "part": "pair", "start_s": [1.0, 1.1, 1.2],
         "stop_s": [1.1, 1.2, 1.3]}
    )  # fmt: skip
    curve = pd.DataFrame({"slip": np.linspace(0, 1, 50), "rate": np.linspace(0.01, 0.9, 50), "part": "curve"})
    layers, right, down = friction.friction_layers(pd.concat([pairs, curve]), 100, 10, "now")
    assert right > friction.WIDTH and down > friction.HEIGHT
    line = next(layer for layer in layers if layer["mark"]["type"] == "line")
    assert len(line["data"]["values"]) == 50
    rings, dot = (layer for layer in layers if layer["mark"]["type"] == "point")
    assert len(rings["data"]["values"]) == 3
    assert "datum.start_s <= now && now < datum.stop_s" in dot["transform"][0]["filter"]
    left, wide = rings["data"]["values"][0]["px"], rings["data"]["values"][2]["px"]
    # slip 0.05 to 1.0 is 95 % of the plot's width
    assert wide - left == pytest.approx(0.95 * friction.WIDTH)
    heights = [row["py"] for row in rings["data"]["values"]]
    assert heights[1] < heights[2] < heights[0]
    assert friction.friction_layers(pairs.iloc[:0], 0, 0, "now") == ([], 0, 0)


def test_flat_panels_have_a_domain_that_can_be_read() -> None:
    time = np.arange(0, 2, 0.1)
    still = traces.Traces(
        "e",
        vehicle=pd.DataFrame({"time_s": time, "speed_mps": 0.0}),
        demand=pd.DataFrame({"time_s": time, "signal": "brake pressure", "value": 700.0, "unit": "kPa"}),
        decel=pd.DataFrame({"time_s": time, "decel_mps2": 1e-7 * np.sin(time) - 1e-7}),
    )
    spec = charts.event_chart(still)
    assert [scale["domain"] for scale in _axes(spec).values()] == [
        [0.0, pytest.approx(3.6)],  # 1 m/s
        [650.0, 750.0],
        [-1.0, 1.0],
    ]
    assert "0.000000" not in _svg(spec)


def test_thinning_keeps_a_single_low_sample() -> None:
    speed = np.full(60_000, 20.0)
    speed[31_234] = 0.0
    long = pd.DataFrame({"time_s": np.arange(60_000) / 100, "wheel": "1L", "speed_mps": speed})
    drawn = panels.thinned(long, "speed_mps", "wheel", most=1000)
    assert len(drawn) <= 1000 and drawn["speed_mps"].min() == 0.0
    assert drawn["time_s"].is_monotonic_increasing


def test_a_slow_channel_stays_one_line_and_a_lost_signal_leaves_a_hole() -> None:
    time = np.arange(0.0, 10.0, 0.02)
    slow = np.where(np.arange(time.size) % 5 == 0, 1.0, np.nan)  # 10 Hz in 50 Hz rows
    line = panels.Line("x", time, slow, "#000000", 1)
    assert panels.drawn(line)["stretch"].nunique() == 1
    lost = np.where((time > 4.0) & (time < 5.0), np.nan, 1.0)
    holed = panels.drawn(panels.Line("x", time, lost, "#000000", 1))
    assert holed["stretch"].nunique() == 2 and len(panels.drawn(panels.Line("x", time, time * np.nan, "#0", 1))) == 0


def test_all_states_have_words_and_differ_without_colour() -> None:
    assert len(set(replay.STATES)) == len(replay.STATES)
    drawn = [fill for fill, _ in replay.STATES.values()]
    assert len(set(drawn)) == len(drawn)
