"""What each role sees of frames, rows and texts, and that hiding leaves the rest as it was."""

import os
import re
from pathlib import Path

import pandas as pd
import pytest
from builders import PLAIN, build_store
from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.access.roles import LOCAL_USER, Role, Viewer
from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.reports import reads
from fleetbrake.reports.aliases import KEY_FILE, aliases
from fleetbrake.reports.column_kinds import free_text
from fleetbrake.reports.names_in_text import NamesInText
from fleetbrake.reports.places_in_text import without_places
from fleetbrake.reports.source import published
from fleetbrake.reports.veil import PASSING_ALIASES, veil
from fleetbrake.store.database import rebuilding

PLANNER = Viewer("p", frozenset({Role.PLANNER}))
SAFETY = Viewer("s", frozenset({Role.SAFETY}))
DRIVER, OTHER = PLAIN.drivers[:2]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    folder = build_store(tmp_path / "store")
    with rebuilding(folder) as con:
        con.execute("UPDATE events SET trip_id = 'T1', latitude_deg = 47.1, notes = 'by ' || driver_id || '; mended'")
    return folder


def test_who_has_the_safety_role_sees_what_is_there(store: Path) -> None:
    events = reads.events_of(store, PLAIN.vehicles[0])
    for viewer in (SAFETY, LOCAL_USER):
        clear = veil(store, viewer)
        pd.testing.assert_frame_equal(clear.frame(events), events)
        assert clear.text(f"driver {DRIVER}") == f"driver {DRIVER}"
        assert clear.shown_driver(DRIVER) == DRIVER and clear.driver_from(DRIVER) == DRIVER
        assert clear.driver_from("nobody") is None
        row = reads.event(store, str(events["event_id"].iloc[0]))
        assert clear.row(row) == row


def test_others_see_aliases_and_no_trips_or_places(store: Path) -> None:
    alias, hidden = aliases(store), veil(store, PLANNER)
    row = reads.event(store, f"{PLAIN.vehicles[0]}/modulated-0")
    assert row is not None
    seen = hidden.row(row)
    assert seen is not None and row["driver_id"] == DRIVER
    assert seen["driver_id"] == alias(DRIVER) and seen["notes"] == f"by {alias(DRIVER)}; mended"
    assert seen["trip_id"] is None and seen["latitude_deg"] is None
    assert seen["source_path"].count("/") == 1 and row["source_path"].endswith(seen["source_path"])
    changed = {name for name in row if seen[name] != row[name] and not (pd.isna(seen[name]) and pd.isna(row[name]))}
    assert changed == {"driver_id", "notes", "trip_id", "latitude_deg", "source_path"}
    assert set(seen) == set(row) and hidden.row(None) is None


def test_trips_and_places_in_free_text_are_hidden_with_the_columns(store: Path) -> None:
    said = "Trip TRIP-00001 at -38.58, -20.73"
    with rebuilding(store) as con:
        con.execute("INSERT INTO trips (trip_id, vehicle_id) VALUES ('TRIP-00001', ?)", [PLAIN.vehicles[0]])
        con.execute("UPDATE events SET notes = ?", [said])
    hidden, events = veil(store, PLANNER), reads.events_of(store, PLAIN.vehicles[0])
    assert hidden.text(said) == "Trip (trip) at (place)" and veil(store, SAFETY).text(said) == said
    assert set(hidden.frame(events[["notes"]])["notes"]) == {"Trip (trip) at (place)"}
    assert hidden.row({"text": said, "sentence": "0.54, 0.67"}) == {
        "text": "Trip (trip) at (place)", "sentence": "0.54, 0.67"
    }  # fmt: skip


def test_sentences_of_ours_hold_nothing_that_looks_like_a_place(store: Path) -> None:
    with published(store) as con:
        for table in TABLES:
            for column in set(free_text(table)) - {"notes"}:
                texts = con.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL").fetchall()
                assert not [text for (text,) in texts if without_places(text) != text]


def test_a_frame_keeps_its_columns_order_index_and_gaps(store: Path) -> None:
    alias, hidden = aliases(store), veil(store, PLANNER)
    events = reads.notable_events(store).iloc[::-1]
    events.loc[events.index[0], "driver_id"] = None
    events["longitude_deg"] = 8.0
    seen = hidden.frame(events)
    assert list(seen) == list(events) and seen.index.equals(events.index)
    pairs = zip(seen["driver_id"], events["driver_id"], strict=True)
    assert all((pd.isna(s) and pd.isna(e)) or s == alias(e) for s, e in pairs)
    assert events["driver_id"].isna().any() and seen["longitude_deg"].isna().all()
    same = [c for c in events if c not in ("driver_id", "notes", "longitude_deg")]
    pd.testing.assert_frame_equal(seen[same], events[same])
    pd.testing.assert_frame_equal(hidden.frame(seen), seen)  # twice is once


def test_unknown_ids_are_drivers_only_where_the_row_says_so(store: Path) -> None:
    seen = veil(store, PLANNER).frame(reads.unknown_ids(store))
    told = dict(zip(seen["kind"], seen["id"], strict=True))
    assert told["vehicle"] == PLAIN.vehicles[-1] + "?" and told["driver"] == aliases(store)(PLAIN.drivers[-1] + "?")


def test_what_a_log_or_sentence_says_is_read_for_ids(store: Path) -> None:
    alias, hidden = aliases(store), veil(store, PLANNER)
    log = hidden.frame(reads.recordings(store))
    assert f"event of driver {alias(DRIVER)}: time runs backwards at row 801" in set(log["reason"].dropna())
    assert not log.astype(str).apply(lambda c: c.str.contains("D-1", regex=False)).any().any()
    assert hidden.row({"path": f"/a/b/driver_id={OTHER}/x.parquet"}) == {"path": f"driver_id={alias(OTHER)}/x.parquet"}


def test_aliases_lead_to_drivers_and_ids_do_not(store: Path) -> None:
    hidden = veil(store, PLANNER)
    assert hidden.driver_from(hidden.shown_driver(DRIVER)) == DRIVER
    assert hidden.driver_from(DRIVER) is None and hidden.driver_from("") is None


def test_every_kind_of_column_is_taken(store: Path) -> None:
    hidden = veil(store, PLANNER)
    frame = pd.DataFrame(
        {
            "driver_id": pd.Categorical([DRIVER, None]),
            "note": pd.Series([f"with {OTHER}", 7], dtype=object),
            "evidence": [[DRIVER], []],
            "vehicle_id": [DRIVER, "V"],
            "at": pd.to_datetime(["2026-01-01", None], utc=True),
            "rank": pd.array([1, None], dtype="Int64"),
            "trip": ["T1", "T2"],
        }
    )
    seen = hidden.frame(frame)
    assert seen["driver_id"].tolist()[0] == hidden.shown_driver(DRIVER) and pd.isna(seen["driver_id"].tolist()[1])
    assert seen["note"].tolist() == [f"with {hidden.shown_driver(OTHER)}", 7]
    assert seen["vehicle_id"].tolist() == [DRIVER, "V"] and seen["trip"].isna().all()
    assert hidden.frame(frame.iloc[:0]).empty and list(hidden.frame(pd.DataFrame())) == []


def test_a_new_publication_brings_new_drivers(store: Path) -> None:
    before = veil(store, PLANNER)
    assert veil(store, PLANNER) is before, "read once for each published file"
    with rebuilding(store) as con:
        con.execute("INSERT INTO drivers (driver_id) VALUES ('newly-come')")
    after = veil(store, PLANNER)
    assert before.text("newly-come") == "newly-come" != after.text("newly-come")


def test_a_store_that_cannot_be_written_has_passing_aliases_and_says_so(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def _no(*_: object, **__: object) -> int:
        raise OSError(30, "Read-only file system")

    with rebuilding(store):
        pass  # another publication: nothing remembered of it
    monkeypatch.setattr(os, "open", _no)
    first = veil(store, PLANNER)
    assert first.note == PASSING_ALIASES and first.shown_driver(DRIVER) not in (DRIVER, "")
    assert not (store / KEY_FILE).exists() and veil(store, PLANNER).shown_driver(DRIVER) == first.shown_driver(DRIVER)
    assert veil(store, SAFETY).note == ""


def test_a_damaged_key_is_told_and_no_other_is_taken(store: Path) -> None:
    (store / KEY_FILE).write_bytes(b"short")
    with pytest.raises(StoreError, match="damaged"):
        veil(store, PLANNER)


def test_only_who_sits_at_the_machine_sees_its_folders(store: Path) -> None:
    with rebuilding(store) as con:
        con.execute("UPDATE events SET source_path = '/srv/in/bus/a.parquet', notes = 'see /srv/in/bus/a.parquet'")
    row = reads.event(store, f"{PLAIN.vehicles[0]}/modulated-0")
    assert row is not None and veil(store, LOCAL_USER).row(row) == row
    for viewer in (SAFETY, PLANNER):
        hidden = veil(store, viewer)
        seen = hidden.row(row)
        assert seen is not None and (seen["source_path"], seen["notes"]) == ("bus/a.parquet", "see bus/a.parquet")
        framed = hidden.frame(pd.DataFrame([row]))
        assert framed["source_path"].iloc[0] == "bus/a.parquet" and framed["notes"].iloc[0] == "see bus/a.parquet"
        assert hidden.text("not there: /srv/in/bus/a.parquet") == "not there: bus/a.parquet"


# --- ids inside texts ---------------------------------------------------------------------------------------------

_IDS = ["D-104", "D-104-B", "7", "1234", "654321", "x", 'O\'Brien "Q"', "שרה-ש", "-2+3"]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("driver D-104 and D-104-B", "driver <D-104> and <D-104-B>"),
        ("D-104", "<D-104>"),
        ("D-1045 XD-104", "D-1045 XD-104"),
        ("bus_D-104_x.parquet", "bus_<D-104>_x.parquet"),
        ("row 7 of 1234", "row 7 of 1234"),
        ("driver 7, driver_id=1234, Driver: 7, driver-7/x", "driver <7>, driver_id=<1234>, Driver: <7>, driver-<7>/x"),
        ("driver 77 and 654321.", "driver 77 and <654321>."),
        ("x marks driver x", "x marks driver <x>"),
        ('with O\'Brien "Q" and שרה-ש', 'with <O\'Brien "Q"> and <שרה-ש>'),
        ("a -2+3 b", "a <-2+3> b"),
        ("", ""),
    ],
)
def test_ids_in_texts(text: str, wanted: str) -> None:
    assert NamesInText(_IDS, lambda i: f"<{i}>")(text) == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("vh d05, VH_D05 and Vh.D05", "<VH-D05>, <VH-D05> and <VH-D05>"),
        ("VH -  D05; VH\u00a0D05; VH\u2013d05; ＶＨ-Ｄ05; V\u200bH-D05", "; ".join(["<VH-D05>"] * 5)),
        ("two VH-D05s, VH-D05's, VH-D05sx", "two <VH-D05>s, <VH-D05>'s, VH-D05sx"),
        ("VHD05 VH-D051 xVH-D05", "<VH-D05> VH-D051 xVH-D05"),
        ("jose\u0301 came, José, Jose", "<José> came, <José>, Jose"),
        ("the wheel and driver wheel", "the wheel and driver <wheel>"),
        ("brakes of drivers wheel; Mark said: a mark", "brakes of drivers <wheel>; <mark> said: a <mark>"),
        ("row 12-04, driver 12.04", "row 12-04, driver <12-04>"),
        ("in/driver_id=unlisted/a.pq, driver=q.csv", "in/driver_id=<unlisted>/a.pq, driver=<q>.csv"),
        ("in/driver_id=vh d05/a.pq", "in/driver_id=<VH-D05>/a.pq"),
        ("... - _ .", "... - _ ."),
    ],
)
def test_ids_written_otherwise(text: str, wanted: str) -> None:
    listed = ["VH-D05", "José", "wheel", "mark", "12-04", "-", "."]
    inside = NamesInText(listed, lambda i: f"<{i}>")
    assert inside(text) == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("D104 d104, D/104; D_104. (D104)", "<D-104> <D-104>, <D-104>; <D-104>. (<D-104>)"),
        ("vhd05, VHD-05, VH/D05, V.H.D05, VHD05s", "<VH-D05>, <VH-D05>, <VH-D05>, <VH-D05>, <VH-D05>s"),
        ("K77, K-77, k 77, K/77 and K--77", "<K77>, <K77>, <K77>, <K77> and <K77>"),
        ("AD104 D1045 D104x xD104 D10 4 D10-4", "AD104 D1045 D104x xD104 D10 4 D10-4"),
        ("12 of 34 at 12:34, 1234 and 12", "12 of 34 at 12:34, 1234 and 12"),
        ("a 30 s pause, a-30, A30", "a 30 s pause, a-30, <A30>"),
        ("row 104, ROW104, driver row 104", "row 104, <ROW104>, driver <ROW104>"),
        ("wheel 1L of an M1, driver M-1, M-1", "wheel 1L of an M1, driver <M-1>, <M-1>"),
        ("D1 and AD12, d 1", "<D-1> and AD12, <D-1>"),
        ("1204B, 12-04B, 12 04-B, 12/04b", "<12-04-B>, <12-04-B>, <12-04-B>, <12-04-B>"),
        ("drivers/D104/2026.parquet, driver=D104", "drivers/<D-104>/2026.parquet, driver=<D-104>"),
        ("jo ann, JoAnn, Jo-Ann", "<Jo-Ann>, JoAnn, <Jo-Ann>"),
    ],
)
def test_ids_of_letters_and_digits_with_other_separators_or_none(text: str, wanted: str) -> None:
    listed = ["D-104", "VH-D05", "K77", "12", "A30", "ROW104", "M-1", "D-1", "12-04-B", "Jo-Ann"]
    assert NamesInText(listed, lambda i: f"<{i}>")(text) == wanted


def test_ids_alike_but_for_case_keep_their_own_aliases() -> None:
    inside = NamesInText(["ab-1", "AB-1"], lambda i: {"ab-1": "*", "AB-1": "#"}[i])
    assert inside("ab-1 AB-1 aB 1") == "* # #"


@given(st.text("abD-104 _./s", max_size=60))
def test_a_text_without_the_id_comes_back_and_with_it_never(text: str) -> None:
    changed = NamesInText(["D-104"], lambda _: "§")(text)
    found = r"(?i)(?<![a-z0-9])d(?:[-_. ]*|/)104(?=s?(?![a-z0-9]))"
    assert changed == re.sub(found, "§", text)


def test_many_ids_cost_no_more_than_few() -> None:
    """The text's length counts: 20 000 ids, 5 000 texts; a pattern of all ids would try each at every place."""
    inside = NamesInText((f"D-{n}" for n in range(20_000)), lambda i: "*")
    texts = [f"event of driver D-{n}: time runs backwards at row {n}" for n in range(5_000)]
    assert {inside(t) for t in texts[:3]} == {f"event of driver *: time runs backwards at row {n}" for n in range(3)}
    assert all("D-" not in inside(t) for t in texts)
