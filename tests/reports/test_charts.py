"""Every chart is valid Vega-Lite, renders, and shows what it was given."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import vl_convert
from builders import MONTH, PLAIN

from fleetbrake.core.vocabulary import PRIORITIES, PRIORITY_TEXT
from fleetbrake.reports import charts, look, model_reads, reads, traces
from fleetbrake.reports.charts.event import span_words, thinned
from fleetbrake.reports.month_data import month_events


def _all(store: Path, vehicle: str) -> dict[str, Any]:
    stop = traces.event_traces(store, f"{vehicle}/modulated-0") or traces.Traces("none")
    indicators = reads.indicators_of(store, vehicle)
    return {
        "ranked": charts.ranked_scores(reads.ranked(store), width=600),
        "drivers": charts.driver_rates(reads.drivers(store), width=600),
        "days": charts.events_by_day(month_events(store, MONTH), MONTH, width=600),
        "time": charts.events_over_time(reads.events_of(store, vehicle), width=600),
        "indicators": charts.indicator_deviations(indicators, width=600),
        "wheels": charts.wheel_plan(indicators, 2),
        "event": charts.event_chart(stop),
        "friction": charts.friction_chart(stop.friction),
        "calibration": charts.calibration_chart(model_reads.calibration(store), width=600),
    }


def _svg(chart: Any) -> str:
    return str(vl_convert.vegalite_to_svg(chart.to_dict()))


@pytest.mark.parametrize("kind", ["store", "hostile_store", "empty_store"])
def test_every_chart_is_valid_and_renders(kind: str, request: pytest.FixtureRequest) -> None:
    store = request.getfixturevalue(kind)
    vehicle = (reads.vehicle_ids(store) or ["none"])[0]
    for name, chart in _all(store, vehicle).items():
        drawn = _svg(chart)
        assert drawn.startswith("<svg"), name
        assert "<script" not in drawn, name


def test_ranked_chart_names_each_vehicle_and_its_priority_in_words(store: Path) -> None:
    drawn = _svg(charts.ranked_scores(reads.ranked(store), width=600))
    for place, vehicle in enumerate(PLAIN.vehicles, start=1):
        assert f"{place}. {vehicle}" in drawn
    assert "before next trip" in drawn and "this week" in drawn


def test_event_chart_has_its_panels_and_one_time_axis(store: Path) -> None:
    found = traces.event_traces(store, f"{PLAIN.vehicles[0]}/locked-0")
    assert found is not None
    spec = charts.event_chart(found).to_dict()
    titles = " ".join(str(panel["title"]) for panel in spec["vconcat"])
    for word in ("Speed", "judged", "slip", "pedal", "pressure", "Deceleration"):
        assert word in titles
    assert spec["resolve"]["scale"]["x"] == "shared"
    assert len(spec["params"][0]["views"]) == len(spec["vconcat"]) == 6
    assert "locked 1.00 s" in _svg(charts.event_chart(found))


def test_event_chart_leaves_out_what_was_not_recorded() -> None:
    time = np.arange(0, 2, 0.1)
    bare = traces.Traces("e", vehicle=pd.DataFrame({"time_s": time, "speed_mps": 20 - time}))
    spec = charts.event_chart(bare).to_dict()
    assert len(spec["vconcat"]) == 1


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
    chart = charts.event_chart(traces.Traces("e", vehicle=vehicle, spans=spans))
    drawn = _svg(chart)
    for words in ("locked 1.50 s", "slip 0.63", "6 cycles, 8.2 Hz", "no signal 0.50 s", "not known 1.00 s"):
        assert words in drawn
    for kind in spans["kind"]:
        assert look.SPAN_LOOKS[kind][0] in drawn
    band = chart.to_dict()["vconcat"][0]["layer"][0]
    rows = chart.to_dict()["datasets"][band["data"]["name"]]
    assert len({row["stretch"] for row in rows}) == 2 and not any(4 < row["time_s"] < 5 for row in rows)


def test_a_frequency_that_the_rate_may_hide_is_not_written() -> None:
    span = {"wheel": "1L", "start_s": 1.0, "stop_s": 3.0, "kind": "modulation", "slip": np.nan, "cycles": 4.0}
    assert span_words(pd.DataFrame([span | {"hz": np.nan}])) == ["4 cycles"]


def test_friction_chart_draws_pairs_and_the_curve_and_bears_none() -> None:
    pairs = pd.DataFrame({"slip": [0.05, 0.2, 1.0], "rate": [0.5, 0.8, 0.55], "part": "pair"})
    curve = pd.DataFrame({"slip": np.linspace(0, 1, 50), "rate": np.linspace(0.01, 0.9, 50), "part": "curve"})
    spec = charts.friction_chart(pd.concat([pairs, curve])).to_dict()
    line, rings = spec["layer"]
    assert len(spec["datasets"][line["data"]["name"]]) == 50
    assert len(spec["datasets"][rings["data"]["name"]]) == 3
    top = rings["encoding"]["y"]["scale"]["domain"][1]
    assert 0.9 < top < 1.0  # the highest of both is inside, with a little room
    for part in (pairs, pairs.iloc[:0]):
        assert _svg(charts.friction_chart(part)).startswith("<svg")


def test_flat_panels_have_a_domain_that_can_be_read() -> None:
    time = np.arange(0, 2, 0.1)
    still = traces.Traces(
        "e",
        vehicle=pd.DataFrame({"time_s": time, "speed_mps": 0.0}),
        demand=pd.DataFrame({"time_s": time, "signal": "brake pressure", "value": 700.0, "unit": "kPa"}),
        decel=pd.DataFrame({"time_s": time, "decel_mps2": 1e-7 * np.sin(time) - 1e-7}),
    )
    panels = charts.event_chart(still).to_dict()["vconcat"]
    domains = [(p["layer"][0] if "layer" in p else p)["encoding"]["y"]["scale"]["domain"] for p in panels]
    assert domains == [[0.0, 1.0], [650.0, 750.0], [-1.0, 1.0]]
    assert "0.000000" not in _svg(charts.event_chart(still))


def test_thinning_keeps_a_single_low_sample() -> None:
    speed = np.full(60_000, 20.0)
    speed[31_234] = 0.0
    long = pd.DataFrame({"time_s": np.arange(60_000) / 100, "wheel": "1L", "speed_mps": speed})
    drawn = thinned(long, "speed_mps", "wheel", most=1000)
    assert len(drawn) <= 1000 and drawn["speed_mps"].min() == 0.0
    assert drawn["time_s"].is_monotonic_increasing


def test_a_wheel_that_nobody_knows_is_said_to_be_unknown(store: Path) -> None:
    drawn = _svg(charts.wheel_plan(reads.indicators_of(store, PLAIN.vehicles[1]), 3))
    assert drawn.count(">not known<") == 2 and "+5.2" in drawn and "3R" in drawn


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour: WCAG 2.1, definition of relative luminance (from memory)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_how_soon_is_ordered_by_lightness_alone_and_has_words_and_marks() -> None:
    lightness = [_luminance(look.HOW_SOON[p]) for p in PRIORITIES]
    assert all(a < b for a, b in pairwise(lightness))
    assert len({look.SOON_DOTS[p] for p in PRIORITIES}) == len({PRIORITY_TEXT[p] for p in PRIORITIES}) == 6
