"""Letters that no font has are told by their number; what can be drawn stays."""

import pytest
import typst

from fleetbrake.reports.monthly.drawable import by_number, undrawn


@pytest.fixture
def bare_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the fonts inside the typesetter, which have no Chinese letters: the same on every machine."""
    compile_ = typst.compile
    monkeypatch.setattr(typst, "compile", lambda *a, **k: compile_(*a, **k, ignore_system_fonts=True))


@pytest.mark.usefixtures("bare_machine")
def test_just_the_letters_without_a_font_are_found() -> None:
    told = {"rows": [{"id": 'é "Ωμέγα" 车辆\\七'}, ["– · … ▪ 号"]], "n": 3, "none": None}
    assert undrawn(told) == frozenset("车辆七号")
    assert undrawn({"id": "plain"}) == undrawn({}) == frozenset()


def test_a_run_of_letters_stands_in_one_pair_of_brackets() -> None:
    told = {"rows": [{"id": "车辆-7号", "share": 0.5}], "head": "plain", "none": None}
    said = by_number(told, frozenset("车辆号"))
    assert said == {"rows": [{"id": "[8F66 8F86]-7[53F7]", "share": 0.5}], "head": "plain", "none": None}
    assert by_number(told, frozenset()) is told
    assert by_number("a]^-b\\", frozenset("]^-\\")) == "a[005D 005E 002D]b[005C]"
