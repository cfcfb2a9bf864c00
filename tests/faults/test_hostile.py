"""Hostile text through every door and every exit, the short form of ``hostile_trials.py``: one text of each kind."""

from pathlib import Path

import pytest
from faults import hostile_doors as doors
from faults import hostile_exits as exits
from faults.hostile_fleet import Fleet, make_fleet
from faults.hostile_texts import (
    ADDRESSES,
    CALENDAR,
    CHARTS,
    HALVES,
    LETTERS,
    LONG,
    MARKDOWN,
    MARKUP,
    PATHS,
    SETTINGS,
    SHEETS,
    SQL,
    TERMINAL,
    TOO_LONG,
    TWINS,
    TYPESETTING,
    WORDS,
    ZERO,
    Hostile,
)
from faults.hostile_trials import drawn

#: Of each kind some, those that reach furthest; the long form has all.
CHOSEN: tuple[Hostile, ...] = (
    *SQL[:2], *MARKUP[:3], *MARKDOWN[:2], MARKDOWN[9], MARKDOWN[10], CHARTS[2], *SHEETS[:2], *SHEETS[4:6], SHEETS[7],
    SHEETS[13], PATHS[0], PATHS[1], PATHS[7], PATHS[11], TYPESETTING[0], TYPESETTING[5], CALENDAR[0], CALENDAR[2],
    TERMINAL[0], TERMINAL[3], TERMINAL[9], TERMINAL[13], TERMINAL[16], ADDRESSES[2], SETTINGS[0], LETTERS[0],
    LETTERS[3], LETTERS[6], LETTERS[11], WORDS[0], WORDS[5], TWINS[0], TWINS[1], LONG[0],
)  # fmt: skip
TEXTS = [one.text for one in CHOSEN]
#: Not of the project, whatever the seed.
SEED = 1


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Read in, scored and planned; notes of ten thousand letters and more among its notes."""
    notes = [one.text for one in (TOO_LONG[1], TOO_LONG[2])]
    return make_fleet(tmp_path_factory.mktemp("hostile"), [*TEXTS, *drawn(SEED, 6)], notes=notes)


def test_the_texts_are_in_and_nothing_else_changed(fleet: Fleet) -> None:
    # the two notes are longer than a note is kept: told for the two registers that hold them
    assert [problem for problem in fleet.summary.problems if "letters" not in problem] == []
    assert fleet.summary.unknown_vehicles == fleet.summary.unknown_drivers == [] and fleet.summary.rejected == 0
    assert list(exits.tables(fleet)) == []


def test_what_no_id_can_be_is_refused_with_a_sentence(tmp_path: Path) -> None:
    wrong = [*doors.impossible_ids(tmp_path / "i"), *doors.halves(tmp_path / "h"), *doors.registers(tmp_path / "r")]
    assert wrong == []


def test_blanks_around_an_id_are_no_part_of_it(tmp_path: Path) -> None:
    assert list(doors.blanks(tmp_path)) == []


def test_mappings_and_nights(tmp_path: Path) -> None:
    assert [*doors.mappings(tmp_path / "m", TEXTS[::40]), *doors.night(tmp_path / "n", TEXTS[::4])] == []


def test_what_people_enter_comes_back_and_what_they_hold(fleet: Fleet, tmp_path: Path) -> None:
    wrong = [*doors.forms(fleet, TEXTS[::12]), *doors.sheet(fleet, tmp_path, TEXTS)]
    assert [*wrong, *doors.legal_holds(fleet, TEXTS[::18])] == []


def test_commands_show_what_was_typed_and_let_it_steer_nothing(fleet: Fleet, tmp_path: Path) -> None:
    given = (MARKUP[0], TERMINAL[2], TERMINAL[13], LETTERS[0], PATHS[12], ZERO[0], TOO_LONG[0], HALVES[0])
    assert [told for one in given for told in doors.arguments(fleet, tmp_path, one)] == []


def test_lists_and_files(fleet: Fleet, tmp_path: Path) -> None:
    wrong = [*exits.terminal(fleet), *exits.plan(fleet), *exits.sheets(fleet, fleet.vehicles[::32])]
    # with the drivers' names; the long form has aliases too
    assert [*wrong, *exits.month(fleet, tmp_path / "out", safety_role=True)] == []


def test_what_looks_after_a_store_tells_it_without_being_steered(fleet: Fleet, tmp_path: Path) -> None:
    assert list(exits.upkeep(fleet, tmp_path)) == []


def test_pages(fleet: Fleet) -> None:
    texts = list(fleet.texts)
    wrong = [
        told for view in ("inspections", "drivers", "recordings", "month") for told in exits.page(fleet, view, texts)
    ]
    for text in (*fleet.texts[::40], TOO_LONG[2].text, ZERO[0].text):
        wrong += exits.page(fleet, "vehicle", texts, vehicle=text)
        wrong += exits.page(fleet, "event", texts, event=f"{text} e0")
    assert wrong == []


def test_a_forgotten_driver_is_gone_and_no_other(fleet: Fleet) -> None:
    assert list(doors.forgotten(fleet, [TEXTS[4], "../../etc/passwd"])) == []
