"""The sheet for the talk, read back by another library: one page, one driver, both rates, room to write."""

import io
import re
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from a_few import a_few
from builders import HOSTILE, PLAIN

from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import driver_reads, driver_words, reads
from fleetbrake.reports.measures import METRIC, US, Measures
from fleetbrake.reports.sheets.driver_sheet import driver_sheet


def _row(store: Path, driver: str) -> dict[str, Any]:
    found = reads.drivers(store)
    return dict(found[found["driver_id"] == driver].iloc[0])


def _text(pdf: bytes) -> str:
    """All text without white space, of the only page."""
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 1
    return re.sub(r"[\s\u200b\u00ad]", "", pages[0].extract_text())


def _sheet(store: Path, driver: str, measures: Measures = METRIC, **changed: Any) -> str:
    items, span = driver_reads.coaching(store, driver), driver_reads.recorded_span(store, driver)
    return _text(driver_sheet(_row(store, driver) | changed, items, span, measures))


def test_it_names_the_driver_the_rates_and_the_caution_and_praise_comes_first(store: Path) -> None:
    told = _sheet(store, PLAIN.drivers[1])
    row = _row(store, PLAIN.drivers[1])
    assert PLAIN.drivers[1] in told and re.sub(r"\s", "", DRIVER_CAUTION) in told
    rate = row["adjusted_hard_stops_per_1000km"]
    assert f"{rate:.{1 if rate >= 10 else 2}f}per1000km" in told
    assert told.index("Whatwentwell") < told.index("Typicalapplications") < told.index("Thedriver’sownaccount")
    assert "BUS-" in told or "VAN-" in told, "the vehicle of each application"


def test_no_other_driver_and_no_rank_stands_on_it(store: Path) -> None:
    told = _sheet(store, PLAIN.drivers[1], note=None)
    assert not [d for d in PLAIN.drivers if d != PLAIN.drivers[1] and d in told]
    assert "ank" not in told.replace("Thank", "")


def test_an_alias_takes_the_place_of_the_id(store: Path) -> None:
    told = _sheet(store, PLAIN.drivers[0], driver_id="driver-ABCDEFGHIJ")
    assert "driver-ABCDEFGHIJ" in told


def test_us_units(store: Path) -> None:
    told = _sheet(store, PLAIN.drivers[1], US)
    assert "per1000mi" in told and "ft/s²" in told
    assert not re.search(r"\d(km|km/h|m/s²|m/s³)\b", told)


def test_without_distance_it_says_so(store: Path) -> None:
    told = _sheet(store, PLAIN.drivers[-1], adjusted_hard_stops_per_1000km=None, hard_stops_per_1000km=None)
    assert "Norate:thedistancedrivenisnotknown." in told


@pytest.mark.parametrize("driver", a_few(HOSTILE.drivers, 1, 2, 5))
def test_hostile_text_stays_text_on_one_page(hostile_store: Path, driver: str) -> None:
    items = driver_reads.coaching(hostile_store, driver)
    long = pd.concat([items.assign(kind=kind, sentence="#pagebreak() $x$ " + 200 * "w ö ") for kind in
                      ("went_well", "talk_about") for _ in range(2)]).head(5)  # fmt: skip
    row = _row(hostile_store, driver) | {"note": "*bold* #set page(fill: red) " + 300 * "long "}
    told = _text(driver_sheet(row, long, None))
    assert "#pagebreak()" in told and "#setpage(fill:red)" in told


def test_rates_of_the_note_are_rounded_once() -> None:
    row = {
        "note": "Counted 6.9 a 1000 km, adjusted 3.0 (1.8 to 4.5). More.", "hard_stops_per_1000km": 6.948254,
        "adjusted_hard_stops_per_1000km": 3.034544, "adjusted_low": 1.835707, "adjusted_high": 4.478335,
    }  # fmt: skip
    assert driver_words.note(row, US) == "Counted 11.2 a 1000 mi, adjusted 4.88 (2.95 to 7.21). More."
    assert driver_words.note(row, METRIC) == "Counted 6.95 a 1000 km, adjusted 3.03 (1.84 to 4.48). More."
    assert driver_words.note(row | {"note": None}, US) == ""
