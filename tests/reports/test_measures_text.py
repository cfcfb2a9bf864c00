"""Our sentences in US units: figures with a unit, and those set beside one; everything else stays."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.reports.measures import METRIC, US
from fleetbrake.reports.measures_text import in_units

# international mile 1609.344 m, foot 0.3048 m: exact by definition (from memory); figures worked out by hand
CASES = [
    ("20 Feb 2026 from 49 km/h: hard", "20 Feb 2026 from 30 mph: hard"),
    ("deceleration up to 4.5 m/s², usual is 1.8. Typical", "deceleration up to 14.8 ft/s², usual is 5.9. Typical"),
    ("a gentle stop, up to 1.1 m/s²; usual is 1.8. One", "a gentle stop, up to 3.6 ft/s²; usual is 5.9. One"),
    ("builds up by 2.0 m/s³ at most, usual is 4.1.", "builds up by 6.6 ft/s³ at most, usual is 13.5."),
    (
        "On the fleet's average vehicle and road 0.4 hard stops a 1000 km; an average driver has 0.6.",
        "On the fleet's average vehicle and road 0.6 hard stops a 1000 mi; an average driver has 1.0.",
    ),
    (
        "Counted 3.9 a 1000 km, adjusted 3.9 (2.2 to 5.8). In the same vehicles and conditions an average driver would "
        "have had 0.38, in the fleet as a whole 0.61: that lowers it. 86 % of the adjusted rate",
        "Counted 6.3 a 1000 mi, adjusted 6.3 (3.5 to 9.3). In the same vehicles and conditions an average driver would "
        "have had 0.61, in the fleet as a whole 0.98: that lowers it. 86 % of the adjusted rate",
    ),
    ("recorded on 200 of 4,650 km: only these", "recorded on 124 of 2,889 mi: only these"),
    ("120 km and 0.3 hard stops expected; 500 km or 1.5", "75 mi and 0.3 hard stops expected; 311 mi or 1.5"),
    ("hard stops per 1000 km", "hard stops per 1000 mi"),
    ("between 3.0 and 4.0 m/s²", "between 9.8 and 13.1 ft/s²"),
    ("locked 12.5 m at 250 kPa, 18000 kg, -5 °C", "locked 41.0 ft at 36 psi, 39683 lb, 23 °F"),
]  # fmt: skip
STAY = [
    "27 % of the speed came off in the last second, usual is 12 %.",
    "Typical of the 13 applications that were hard (5), late (6) or sudden (2).",
    "Braking builds up 0.35 s after what the demand asks, 0.20 s expected from its peers, in 40 events.",
    "Wheel 1L keeps braking since 2026-02-03.",
    "vehicle KR-5 m-12 and 7 m/h and v5 kmh and 3.5.2 m",
]


@pytest.mark.parametrize(("metric", "us"), CASES)
def test_figures_are_read_in_us_units(metric: str, us: str) -> None:
    assert in_units(US, metric) == us


@pytest.mark.parametrize("sentence", [*STAY, *(metric for metric, _ in CASES)])
def test_metric_sentences_stay_for_metric_readers(sentence: str) -> None:
    assert in_units(METRIC, sentence) == sentence


@pytest.mark.parametrize("sentence", STAY)
def test_numbers_without_a_unit_stay(sentence: str) -> None:
    assert in_units(US, sentence) == sentence


@given(st.text(st.characters(exclude_characters="0123456789", exclude_categories=["Cs", "Nd"])))
def test_words_without_figures_stay_but_for_the_label(text: str) -> None:
    assert in_units(US, text) == text


@given(st.floats(0, 400), st.sampled_from(["km/h", "m/s²", "m", "km", "kPa", "kg"]))
def test_a_converted_sentence_has_no_metric_figure_left(value: float, sign: str) -> None:
    told = in_units(US, f"up to {value:.1f} {sign}, then")
    assert not re.search(rf"\d {re.escape(sign)}\b", told)
