"""Forgotten ids in texts, known by fingerprints alone: what is found, what is left, and that nothing is mixed up."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.core.errors import StoreError
from fleetbrake.store.forgetting import tombstones
from fleetbrake.store.forgetting.forgetter import Forgetter, changed_json
from fleetbrake.store.forgetting.tombstones import add_tombstone, one_tombstone, read_tombstones


def _forgetter(*ids: str, anywhere: bool = True, vehicles: tuple[str, ...] = ()) -> Forgetter:
    assert len(ids) == 1
    return Forgetter(one_tombstone(ids[0], anywhere=anywhere, vehicles=vehicles))


@pytest.mark.parametrize(
    "text",
    [
        "VH-D05",
        "vh d05",
        "seen with VH_D05.",
        "the VH-D05s",
        "/data/driver_id=VH-D05/a.parquet",
        "ev_VH-D05_001",
        "a%20of%20VH%2DD05",
        '["e VH-D05 1"]',
        "VH\N{EN DASH}D05",
        "V\N{SOFT HYPHEN}H-D05",
    ],
)
def test_an_id_is_found_however_it_is_written(text: str) -> None:
    forget = _forgetter("VH-D05")
    assert forget.texts([text]) and "d05" not in forget.text(text).casefold()
    assert forget.text(forget.text(text)) == forget.text(text)


@pytest.mark.parametrize("text", ["VH-D051", "XVH-D05", "VHD05", "VH-D0 5", "D05", "", "[", "%41 VH"])
def test_a_longer_or_other_word_is_left(text: str) -> None:
    assert _forgetter("VH-D05").text(text) == text


def test_the_same_text_gives_the_same_word_and_different_ones_stay_different() -> None:
    forget = _forgetter("D05x")
    texts = ["D05x 1", "d05x 1", "D05x_1", "D05X 1", "D05x 1 D05x", "D05x"]
    told = [forget.text(text) for text in texts]
    assert len(set(told)) == len(texts) and told == [forget.text(text) for text in texts]
    # no word leads from one event of the driver to the next one
    assert forget.text("D05x 1").split()[0] != forget.text("D05x 2").split()[0]


def test_a_short_id_is_found_after_the_word_driver_only() -> None:
    forget = _forgetter("7", anywhere=False)
    assert forget.text("7 of 17 wheels, 7") == "7 of 17 wheels, 7"
    assert forget.text("driver 7, 7 events").endswith(", 7 events") and "driver 7" not in forget.text("driver 7, x")
    assert "=7" not in forget.text("/x/driver_id=7/a.parquet")
    assert json.loads(changed_json('{"driver_id": "7", "vehicle_id": "7"}', forget.text))["vehicle_id"] == "7"
    assert json.loads(changed_json('{"driver_id": "7", "vehicle_id": "7"}', forget.text))["driver_id"] != "7"


def test_an_id_of_no_letter_is_found_in_columns() -> None:
    forget = _forgetter("***")
    assert forget.knows("***") and not forget.knows("*") and forget.text("a *** b") == "a *** b"


def test_vehicles_that_hold_it_keep_their_ids_in_texts() -> None:
    forget = _forgetter("D05x", vehicles=("van D05x",))
    assert forget.text("van D05x 2026-01-05") == "van D05x 2026-01-05"
    assert forget.text("van D05x by D05x").startswith("van D05x by forgotten")
    assert forget.names("van D05x") and not forget.names("van D05")


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=3, max_size=12), st.text(max_size=8), st.text(max_size=8))
def test_any_id_between_bars_goes_and_the_rest_stays(driver: str, before: str, after: str) -> None:
    forget = _forgetter(driver)
    text = f"{before}|{driver}|{after}"
    told = forget.text(text)
    assert forget.text(told) == told
    if any(letter.isalnum() for letter in driver) and driver == driver.strip(" -_.|") and "|" not in driver:
        assert told != text and f"|{driver}|" not in told


def test_nothing_of_the_id_is_kept_and_the_list_survives(tmp_path: Path) -> None:
    for one in ("Anna Lee", "Bert", "Anna Lee"):
        add_tombstone(tmp_path, one, anywhere=True)
    content = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert b"Anna" not in content and b"Lee" not in content and b"nna" not in content.lower()
    known = Forgetter(read_tombstones(tmp_path))
    assert len(read_tombstones(tmp_path).stones) == 2
    assert known.knows("Bert") and known.knows("Anna Lee") and not known.knows("Anna Le")
    # another store has another key: its fingerprints are other ones
    other = tmp_path / "other"
    other.mkdir()
    add_tombstone(other, "Bert", anywhere=True)
    assert {one.exact for one in read_tombstones(other).stones}.isdisjoint(
        one.exact for one in read_tombstones(tmp_path).stones
    )


@pytest.mark.parametrize(
    "cell",
    [
        "D77QX", " D77QX ", "D77QX\n", "d77qx", "\uff2477\uff31\uff38", "D77QX;KEEPME-9", "KEEPME-9, d77qx",
        "a|D77QX|b", "D77QX KEEPME-9", "KEEPME-9\nD77QX", "D7\N{SOFT HYPHEN}7QX",
    ],
)  # fmt: skip
def test_a_cell_of_drivers_is_known_however_it_is_written(cell: str) -> None:
    forget = _forgetter("D77QX")
    assert forget.knows(cell) and forget.alike(cell) == (cell != "D77QX")


@pytest.mark.parametrize("cell", ["D77QX2", "D77Q", "KEEPME-9", "", ";", "D77;QX", "D77QX-2"])
def test_another_driver_is_not(cell: str) -> None:
    assert not _forgetter("D77QX").knows(cell)


def test_ids_of_marks_and_ids_that_look_like_lists() -> None:
    decomposed = _forgetter("Jörg/Ann, 2nd")
    assert (
        decomposed.knows("Jo\u0308rg/Ann, 2nd") and decomposed.knows("x;jörg/ann,  2nd") and not decomposed.knows("Ann")
    )
    # a blank stands in names too
    assert not _forgetter("Jo-Ann").knows("Jo-Ann Smith") and not _forgetter("7", anywhere=False).knows("crew 7")
    assert _forgetter("7", anywhere=False).knows(" 7 ;8") and _forgetter("***").knows(" *** ")


def test_in_names_of_his_own_the_id_goes_within_words_too() -> None:
    forget = _forgetter("D77QX")
    told = [forget.own_name(name) for name in ("evtD77QXx-1", "evtd77qxx-2", "/x/D77QX/aD77QXb.parquet", "a%44%377QXb")]
    assert not [one for one in told if "77qx" in one.lower()] and len(set(told)) == 4
    assert told == [forget.own_name(one) for one in told]
    assert forget.own_name("evtD77Q-1") == "evtD77Q-1" and forget.text("evtD77QXx-1") == "evtD77QXx-1"
    number = _forgetter("4711", anywhere=False)
    assert "4711" not in number.own_name("ev-4711-x") and number.own_name("ev-14711-x") == "ev-14711-x"
    # known names go from other texts too, as whole words; short ones in their columns only
    more = forget.with_phrases({"evtD77QXx-1": told[0], "x7": "gone"})
    assert more.text("see evtD77QXx-1, evtD77QXx-12") == f"see {told[0]}, evtD77QXx-12"
    assert (more.cell("event_id", "x7"), more.cell("notes", "x7")) == ("gone", "x7")


def test_a_key_without_its_list_refuses_and_no_killed_run_looks_like_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    for step in ("_key", "_tombstone"):  # before the key is drawn, and before the list is written with it
        with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
            patch.setattr(tombstones, step, killed)
            add_tombstone(tmp_path, "Bert", anywhere=True)
        assert not read_tombstones(tmp_path).stones
    assert (tmp_path / "forgotten.key").exists()
    add_tombstone(tmp_path, "Bert", anywhere=True)
    (tmp_path / "forgotten.json").unlink()
    for ask in (read_tombstones, lambda store: add_tombstone(store, "Ann", anywhere=True)):
        with pytest.raises(StoreError, match=r"forgotten\.json.* is gone"):
            ask(tmp_path)
