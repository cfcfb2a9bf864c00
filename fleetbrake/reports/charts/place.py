"""Where an event happened, as a sketch of its own: metres east and north, no map and nothing from outside."""

from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.panels import MOST_POINTS
from fleetbrake.reports.charts.style import styled, values
from fleetbrake.reports.measures import METRIC, Measures

#: Mean radius of the Earth, m (IUGG; from memory). A sphere is off by 0.6 % at most, which a sketch does not show.
EARTH_RADIUS_M: Final = 6_371_008.8

#: The sketch's size, px, the least it shows from side to side, m, and the room around the track (of its length).
_WIDTH, _HEIGHT, _LEAST_M, _ROOM = 330, 230, 20.0, 0.25


def east_north(place: pd.DataFrame) -> pd.DataFrame:
    """Metres east and north of the first position: time_s, east_m, north_m. ``place`` as in ``reports.traces.Traces``.

    Flat, along the first position's parallel: right to a thousandth within 10 km outside the polar regions.
    """
    if place.empty:
        return pd.DataFrame({"time_s": [], "east_m": [], "north_m": []}, dtype=float)
    latitude, longitude = (np.radians(place[c].to_numpy(dtype=float)) for c in ("latitude_deg", "longitude_deg"))
    # the short way round, also over the antimeridian
    turn = (longitude - longitude[0] + np.pi) % (2.0 * np.pi) - np.pi
    return pd.DataFrame(
        {
            "time_s": place["time_s"].to_numpy(dtype=float),
            "east_m": EARTH_RADIUS_M * np.cos(latitude[0]) * turn,
            "north_m": EARTH_RADIUS_M * (latitude - latitude[0]),
        }
    )


def place_chart(place: pd.DataFrame, braking: tuple[float, float] | None, measures: Measures = METRIC) -> Any:
    """The track, thick where it braked (``braking``: from and to, s), with a scale bar and north up.

    Without positions: a chart without marks.
    """
    track = east_north(place)
    track = track.iloc[:: max(-(-len(track) // MOST_POINTS), 1)]
    east, north, per_px = _window(track)
    x = alt.X("east_m:Q", axis=None, scale=alt.Scale(domain=east, nice=False, zero=False))
    y = alt.Y("north_m:Q", axis=None, scale=alt.Scale(domain=north, nice=False, zero=False))
    base = alt.Chart(values(track)).encode(x=x, y=y, order="time_s:Q")
    layers: list[Any] = [base.mark_line(color=look.PLAIN_COLOUR, strokeWidth=2)]
    if braking is not None and len(track):
        layers += _braked(track, braking, x, y)
    layers += _scale_bar(east[0], north[0], per_px, x, y, measures)
    layers.append(
        _text(pd.DataFrame({"east_m": [east[1]], "north_m": [north[1]], "say": ["north ↑"]}), x, y, -4, 10, "right")
    )
    return styled(alt.layer(*layers).properties(width=_WIDTH, height=_HEIGHT))


def _window(track: pd.DataFrame) -> tuple[list[float], list[float], float]:
    """Domains of both axes with the same metres a pixel, and those metres."""
    if track.empty:
        return [0.0, _LEAST_M], [0.0, _LEAST_M * _HEIGHT / _WIDTH], _LEAST_M / _WIDTH
    low, high = track[["east_m", "north_m"]].min(), track[["east_m", "north_m"]].max()
    middle, length = (low + high) / 2.0, high - low
    per_px = max(
        float(length["east_m"]) * (1 + 2 * _ROOM) / _WIDTH,
        float(length["north_m"]) * (1 + 2 * _ROOM) / _HEIGHT,
        _LEAST_M / _WIDTH,
    )
    east, north = float(middle["east_m"]), float(middle["north_m"])
    return (
        [east - per_px * _WIDTH / 2, east + per_px * _WIDTH / 2],
        [north - per_px * _HEIGHT / 2, north + per_px * _HEIGHT / 2],
        per_px,
    )


def _braked(track: pd.DataFrame, braking: tuple[float, float], x: alt.X, y: alt.Y) -> list[Any]:
    """The stretch that was braked, with its first and last position in words."""
    part = track[track["time_s"].between(*braking)]
    if part.empty:
        return []
    line = alt.Chart(values(part)).encode(x=x, y=y, order="time_s:Q").mark_line(color=look.LOCKUP_COLOUR, strokeWidth=5)
    ends = part.iloc[[0, -1]].assign(say=["braking begins", "ends"], mark=["circle", "square"])
    marks = alt.Chart(values(ends)).mark_point(filled=True, size=110, opacity=1, color=look.INK, stroke="white")
    shapes = alt.Scale(domain=["circle", "square"], range=["circle", "square"])
    return [
        line,
        marks.encode(x=x, y=y, shape=alt.Shape("mark:N", scale=shapes, legend=None)),
        _text(ends.iloc[[0]], x, y, 0, -17, "center"),
        _text(ends.iloc[[1]], x, y, 0, 18, "center"),
    ]


def _text(rows: pd.DataFrame, x: alt.X, y: alt.Y, dx: int, dy: int, align: Any) -> Any:
    mark = alt.Chart(values(rows)).mark_text(align=align, dx=dx, dy=dy, fontSize=12, color=look.INK)
    return mark.encode(x=x, y=y, text="say:N")


def _scale_bar(west: float, south: float, per_px: float, x: alt.X, y: alt.Y, measures: Measures) -> list[Any]:
    """A bar of a round length in the reader's unit, at the lower left."""
    unit = measures.unit("length")
    most = 110.0 * per_px * unit.factor
    power = 10.0 ** np.floor(np.log10(most))
    length = float(next(n * power for n in (5.0, 2.0, 1.0) if n * power <= most * (1 + 1e-9)))
    left, up = west + 12 * per_px, south + 14 * per_px
    right = left + length / unit.factor
    said = f"{length:,.0f} {unit.label}" if length >= 1 else f"{length:g} {unit.label}"
    bar = pd.DataFrame({"east_m": [left], "stop_m": [right], "north_m": [up], "say": [said]})
    rule = alt.Chart(values(bar)).mark_rule(color=look.INK, strokeWidth=3).encode(x=x, x2="stop_m:Q", y=y)
    return [rule, _text(bar, x, y, 0, -10, "left")]


def coordinates(latitude: object, longitude: object) -> str:
    """Degrees with hemisphere, five places (about a metre), or a dash."""
    if latitude is None or longitude is None or pd.isna(latitude) or pd.isna(longitude):  # type: ignore[call-overload]
        return look.MISSING
    north, east = float(latitude), float(longitude)  # type: ignore[arg-type]
    return f"{abs(north):.5f}° {'N' if north >= 0 else 'S'}, {abs(east):.5f}° {'E' if east >= 0 else 'W'}"
