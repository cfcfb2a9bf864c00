"""Every chart is valid Vega-Lite, renders, and shows what it was given."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import vl_convert
from a_few import a_few
from builders import MONTH, PLAIN

from fleetbrake.core.vocabulary import PRIORITIES, PRIORITY_TEXT
from fleetbrake.reports import charts, look, model_reads, reads, traces
from fleetbrake.reports.monthly.month_data import month_events


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
        "place": charts.place_chart(stop.place, None),
        "calibration": charts.calibration_chart(model_reads.calibration(store), width=600),
    }


def _svg(chart: Any) -> str:
    return str(vl_convert.vegalite_to_svg(chart if isinstance(chart, dict) else chart.to_dict()))


@pytest.mark.parametrize("kind", a_few(["store", "hostile_store", "empty_store"], 1, 2))
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


def test_a_wheel_that_nobody_knows_is_said_to_be_unknown(store: Path) -> None:
    drawn = _svg(charts.wheel_plan(reads.indicators_of(store, PLAIN.vehicles[1]), 3))
    assert drawn.count(">not known<") == 2 and "+5.2" in drawn and "axle 3" in drawn


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour: WCAG 2.1, definition of relative luminance (from memory)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_how_soon_is_ordered_by_lightness_alone_and_has_words_and_marks() -> None:
    lightness = [_luminance(look.HOW_SOON[p]) for p in PRIORITIES]
    assert all(a < b for a, b in pairwise(lightness))
    assert len({look.SOON_DOTS[p] for p in PRIORITIES}) == len({PRIORITY_TEXT[p] for p in PRIORITIES}) == 6
