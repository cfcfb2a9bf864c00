"""The sketch of where an event happened: metres, a scale bar, and coordinates in words."""

import numpy as np
import pandas as pd
import pytest
import vl_convert

from fleetbrake.reports import charts, look
from fleetbrake.reports.charts.place import coordinates, east_north
from fleetbrake.reports.measures import METRIC, US


def _track(latitude: list[float], longitude: list[float]) -> pd.DataFrame:
    time = np.arange(len(latitude), dtype=float)
    return pd.DataFrame({"time_s": time, "latitude_deg": latitude, "longitude_deg": longitude})


def test_a_minute_of_arc_north_is_a_nautical_mile() -> None:
    # 1852 m by definition (from memory); the sphere is off by 0.1 %
    found = east_north(_track([45.0, 45.0 + 1 / 60], [7.0, 7.0]))
    assert found["north_m"].iloc[1] == pytest.approx(1852.0, rel=2e-3) and found["east_m"].iloc[1] == 0.0


def test_east_shrinks_with_the_cosine_of_the_latitude_and_the_antimeridian_is_no_jump() -> None:
    equator = east_north(_track([0.0, 0.0], [179.999, -179.999]))["east_m"].iloc[1]
    north = east_north(_track([60.0, 60.0], [10.0, 10.002]))["east_m"].iloc[1]
    assert equator == pytest.approx(222.4, abs=0.2)  # 0.002 degrees of the mean circle (computed)
    assert north == pytest.approx(equator / 2, rel=1e-6)


def test_the_sketch_has_the_same_metres_a_pixel_both_ways_and_names_both_ends() -> None:
    track = _track([47.0, 47.001, 47.002], [8.0, 8.0005, 8.001])
    chart = charts.place_chart(track, (0.0, 1.0), METRIC).to_dict()
    x, y = (chart["layer"][0]["encoding"][axis]["scale"]["domain"] for axis in "xy")
    assert (x[1] - x[0]) / chart["width"] == pytest.approx((y[1] - y[0]) / chart["height"])
    drawn = str(vl_convert.vegalite_to_svg(chart))
    assert "braking begins" in drawn and ">ends<" in drawn and "north" in drawn and ">100 m<" in drawn
    assert " ft<" in str(vl_convert.vegalite_to_svg(charts.place_chart(track, None, US).to_dict()))


def test_no_position_is_a_chart_without_a_track() -> None:
    assert vl_convert.vegalite_to_svg(charts.place_chart(_track([], []), None).to_dict()).startswith("<svg")
    assert east_north(_track([], [])).empty


def test_coordinates_name_the_hemisphere() -> None:
    assert coordinates(-37.5, 22.25) == "37.50000° S, 22.25000° E"
    assert coordinates(1.0, -2.0) == "1.00000° N, 2.00000° W"
    assert coordinates(None, 2.0) == coordinates(np.nan, 2.0) == look.MISSING
