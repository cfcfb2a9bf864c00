"""Trips and places inside free text: found however they are written, and our own sentences stay whole."""

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.core.folded_text import fold_text
from fleetbrake.reports.places_in_text import without_places
from fleetbrake.reports.trips_in_text import TripsInText, _keys

_TRIPS = pa.chunked_array([["TRIP-00001", "7", "wheel", "2026-01-28", "Fahrt Köln 9", None, ""]], pa.string())


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Trip TRIP-00001 at the depot", "Trip (trip) at the depot"),
        ("trip_00001, Trip\u00a000001s and TRIP-000012", "(trip), (trip)s and TRIP-000012"),
        ("7 of 7 on trip 7, trip_id: 7", "7 of 7 on trip (trip), trip_id: (trip)"),
        ("the wheel of 2026-01-28", "the wheel of 2026-01-28"),
        ("on FAHRT KO\u0308LN-9!", "on (trip)!"),
        ("in/trip_id=unlisted/a.pq", "in/trip_id=(trip)/a.pq"),
        ("", ""),
    ],
)
def test_trips_in_texts(text: str, wanted: str) -> None:
    inside = TripsInText(_TRIPS)
    assert inside(text) == wanted and inside(wanted) == wanted, "twice is once"


@given(st.text(st.characters(max_codepoint=127), max_size=20))
def test_ids_of_ascii_are_compared_as_the_texts_are(one: str) -> None:
    """Both ways of folding give one key: else an id would never be found."""
    key = fold_text(one)[0].strip("-")
    dated = len(key) == 10 and key[4] == key[7] == "-"
    assert dated or _keys(pa.chunked_array([[one]], pa.string())) == [key] * bool(key)


def test_a_hundred_thousand_trips_cost_no_more_than_few() -> None:
    """The text's length counts: a pattern of all ids, or a walk over them for each text, would not end."""
    inside = TripsInText(pa.chunked_array([[f"T-{n:06d}" for n in range(100_000)]]))
    assert all(inside(f"trip T-{n:06d} of day {n}") == f"trip (trip) of day {n}" for n in range(0, 100_000, 50))
    assert inside("T-100000") == "T-100000"


@pytest.mark.parametrize(
    "place",
    [
        "-38.58, -20.73", "52.5200,13.4050", "52.5200 13.4050", "+52.52; -13.41", "52.1N 13.2E", "52.1° N, 13.2° W",
        "N52.1 E13.2", "52°31'12\"N 13°24'18\"E", "lat 52.1 lon 13.2", "latitude: 52.123, longitude: 13.4",
        "13.41, 152.52", "\u221238.58, \u221220.73", "52.52°, 13.40°",
    ],
)  # fmt: skip
def test_places_in_texts(place: str) -> None:
    assert without_places(f"skids at {place}.") == "skids at (place)."
    assert without_places(f"({place})") == "((place))"


@pytest.mark.parametrize(
    "text",
    [
        "pads 4.25, 3.75 mm left", "pressure 8.10 7.95 bar", "12.03.2026 14.05.2026", "200.12, 13.20", "120.12 100.11",
        "3.2 mm, 4.1 mm", "0.54 where 0.67 is expected", "62.5, 5", "version 1.22.33 4.55.66", "axle 1 N 2 E",
        "1,234.56", "Trip of 2026-01-28 08:15:00.123", "flat 2 along 3",
    ],
)  # fmt: skip
def test_what_is_no_place_stays(text: str) -> None:
    assert without_places(text) == text
