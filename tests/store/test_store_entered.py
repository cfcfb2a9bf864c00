"""What people enter is never lost, never changed, and comes back as it was written, whoever writes beside them."""

import signal
import sqlite3
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.entered import ENTERED_NAME, enter, enter_all, entries, stamp
from fleetbrake.store.entered_rows import (
    KINDS,
    Body,
    DateFixed,
    Deferred,
    FindingEntered,
    FlagDecided,
    FlagReopened,
    ReportAnswered,
)
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.note_lock import NOTE_LOCK_NAME
from fleetbrake.store.remembered import REMEMBERED_NAME

DAY = date(2026, 3, 2)
HOSTILE = (
    "'); DROP TABLE entered; --",
    '<script>alert("x")</script>',
    "=1+1",
    "עגלה \u202eabc \N{COLLISION SYMBOL}",
    "line\nbreak\ttab",
    "a\x00b",
    "x" * 2000,
)

_WRITER = """
import sys
from datetime import date
from pathlib import Path
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
for number in range(100):
    enter(Path(sys.argv[1]), sys.argv[2], f"V{number}", DateFixed(on=date(2026, 3, 2)))
"""

#: Writes thousands of rows in one transaction with a cache so small that they reach the file, then dies.
_KILLED = """
import os, signal, sqlite3, sys
con = sqlite3.connect(sys.argv[1], isolation_level=None)
con.execute("PRAGMA cache_size = 2")
con.execute("BEGIN IMMEDIATE")
for number in range(5000):
    con.execute("INSERT INTO entered (made_at, made_by, kind, vehicle_id, body) VALUES ('2026-01-01T00:00:00+00:00', "
                "'x', 'date_fixed', 'V', ?)", ['{"on": null}' + " " * 500])
os.kill(os.getpid(), signal.SIGKILL)
"""


def _finding(vehicle: str, note: str | None) -> FindingEntered:
    row = Inspection(inspection_id="i", vehicle_id=vehicle, inspected_on=DAY, finding="other", severity=1, note=note)
    return FindingEntered(row=row)


def _deferred(until: date, reason: str) -> Deferred:
    return Deferred(until=until, reason=reason)


def test_nothing_entered_is_nothing(tmp_path: Path) -> None:
    assert entries(tmp_path) == []
    assert stamp(tmp_path) == 0
    assert not (tmp_path / ENTERED_NAME).exists()  # reading makes no file


@pytest.mark.parametrize("text", HOSTILE)
def test_text_comes_back_as_it_was_entered(tmp_path: Path, text: str) -> None:
    enter(tmp_path, text, text, _finding(text, text))
    (entry,) = entries(tmp_path, ("finding",), text)
    assert isinstance(entry.body, FindingEntered)
    assert (entry.made_by, entry.vehicle_id, entry.body.row.note, entry.body.row.vehicle_id) == (text,) * 4
    enter(tmp_path, "p", "V", DateFixed(on=DAY))
    assert len(entries(tmp_path)) == 2


def test_every_kind_comes_back(tmp_path: Path) -> None:
    flag = {"indicator": "brake_drag", "wheel": "1L", "raised_on": DAY}
    at = datetime(2026, 3, 2, 8, tzinfo=UTC)
    values: dict[str, dict[str, object]] = {
        "finding": {"row": {"inspection_id": "", "vehicle_id": "V", "inspected_on": DAY, "finding": "none"}},
        "work": {"row": {"vehicle_id": "V", "repaired_on": DAY, "work": "lining"}},
        "report_answered": {"reported_at": at, "text": None, "cleared_at": at},
        "date_met": {"kind": "inspection", "done_on": DAY, "next_due_on": DAY},
        "date_fixed": {"on": DAY},
        "deferred": {"until": DAY, "reason": "no parts"},
        "flag_raised": {**flag, "priority": "this_week"},
        "flag_seen": flag,
        "flag_decided": {**flag, "decision": "watch", "reason": "new linings", "expires_on": DAY},
        "flag_reopened": {**flag, "because": "the last day is over"},
        "flag_closed": {**flag, "closed_on": DAY, "result": "confirmed"},
    }
    assert set(values) == set(KINDS)
    bodies: list[Body] = [KINDS[kind].model_validate(given) for kind, given in values.items()]
    enter(tmp_path, "p", "V", *bodies)
    assert [entry.body for entry in entries(tmp_path)] == bodies
    assert [entry.kind for entry in entries(tmp_path)] == list(values)


def test_a_time_without_a_zone_is_utc() -> None:
    naive = datetime(2026, 3, 2, 8)
    body = ReportAnswered(reported_at=naive, text="x", cleared_at=datetime(2026, 3, 2, 9, tzinfo=UTC))
    assert body.reported_at == datetime(2026, 3, 2, 8, tzinfo=UTC)


def test_two_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _WRITER, str(tmp_path)]
    writers = [subprocess.Popen([*command, name]) for name in ("a", "b")]
    seen = [stamp(tmp_path)]
    while any(writer.poll() is None for writer in writers):
        seen.append(stamp(tmp_path))  # a reader beside them is never refused
    assert [writer.returncode for writer in writers] == [0, 0]
    assert seen == sorted(seen)
    made = entries(tmp_path)
    for name in ("a", "b"):
        assert [entry.vehicle_id for entry in made if entry.made_by == name] == [f"V{n}" for n in range(100)]
    assert stamp(tmp_path) == len(made) == 200


@pytest.mark.parametrize(
    "sql", ["UPDATE entered SET made_by = 'x'", "DELETE FROM entered", "DELETE FROM entered WHERE 1"]
)
def test_what_was_entered_is_neither_changed_nor_removed(tmp_path: Path, sql: str) -> None:
    enter(tmp_path, "p", "V", DateFixed(on=DAY))
    before = entries(tmp_path)
    con = sqlite3.connect(tmp_path / ENTERED_NAME)
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        con.execute(sql)
    con.close()
    assert entries(tmp_path) == before


def test_a_killed_writer_leaves_what_was_there(tmp_path: Path) -> None:
    enter(tmp_path, "p", "V", DateFixed(on=DAY))
    path = tmp_path / ENTERED_NAME
    size = path.stat().st_size
    died = subprocess.run([sys.executable, "-c", _KILLED, str(path)], check=False)
    assert died.returncode == -signal.SIGKILL
    assert path.stat().st_size > 10 * size  # half of it had been written
    assert Path(f"{path}-journal").exists()
    assert [entry.body for entry in entries(tmp_path)] == [DateFixed(on=DAY)]
    enter(tmp_path, "p", "V", DateFixed(on=None))
    assert len(entries(tmp_path)) == 2


def test_a_writer_killed_before_its_first_word_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / ENTERED_NAME).touch()
    assert entries(tmp_path) == []
    assert stamp(tmp_path) == 0
    enter(tmp_path, "p", "V", DateFixed(on=DAY))
    assert stamp(tmp_path) == 1


def test_a_reader_writes_nothing(tmp_path: Path) -> None:
    enter(tmp_path, "p", "V", DateFixed(on=DAY))
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    entries(tmp_path), stamp(tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert set(before) == {ENTERED_NAME, REMEMBERED_NAME, FORMAT_NAME, NOTE_LOCK_NAME}  # the note of it, twice


def test_a_damaged_file_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / ENTERED_NAME).write_bytes(b"no database at all " * 100)
    for touch in (
        lambda: entries(tmp_path),
        lambda: stamp(tmp_path),
        lambda: enter(tmp_path, "p", "V", DateFixed(on=DAY)),
    ):
        with pytest.raises(StoreError, match="what people enter cannot be"):
            touch()


@pytest.mark.parametrize(
    ("kind", "body", "told"),
    [
        ("something_new", "{}", "which this version does not know"),
        ("date_fixed", "{", "Entry 1 of the store cannot be read"),
        ("date_fixed", '{"on": "yesterday"}', "Entry 1 of the store cannot be read"),
        ("date_fixed", '{"on": null, "more": 1}', "Entry 1 of the store has a part that this version does not know"),
    ],
)
def test_what_no_version_wrote_is_told(tmp_path: Path, kind: str, body: str, told: str) -> None:
    enter_all(tmp_path, "p", [])
    enter(tmp_path, "p", "first", DateFixed(on=DAY))
    con = sqlite3.connect(tmp_path / ENTERED_NAME)
    con.execute("DROP TRIGGER entered_never_removed")
    con.execute("DELETE FROM entered")
    con.execute("INSERT INTO entered VALUES (1, '2026-01-01T00:00:00+00:00', 'p', ?, 'V', ?)", [kind, body])
    con.commit()
    con.close()
    with pytest.raises(StoreError, match=told):
        entries(tmp_path)


@pytest.mark.parametrize(("by", "vehicle"), [("", "V"), ("  ", "V"), ("p", ""), ("\ud800", "V"), ("p", "\udfff")])
def test_nobody_and_nothing_cannot_enter(tmp_path: Path, by: str, vehicle: str) -> None:
    with pytest.raises(InputError):
        enter(tmp_path, by, vehicle, DateFixed(on=DAY))
    assert entries(tmp_path) == []


def test_several_are_all_in_or_none(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        enter_all(tmp_path, "p", [("V", DateFixed(on=DAY)), ("", DateFixed(on=DAY))])
    with pytest.raises(InputError):
        enter_all(tmp_path, "p", [("V", DateFixed(on=DAY)), ("\ud800", DateFixed(on=DAY))])
    assert entries(tmp_path) == []


def test_kinds_and_vehicle_choose(tmp_path: Path) -> None:
    enter_all(tmp_path, "p", [("A", DateFixed(on=DAY)), ("B", DateFixed(on=None)), ("A", _deferred(DAY, "no parts"))])
    assert [entry.vehicle_id for entry in entries(tmp_path, ("date_fixed",))] == ["A", "B"]
    assert [entry.kind for entry in entries(tmp_path, vehicle_id="A")] == ["date_fixed", "deferred"]
    assert entries(tmp_path, ("finding",), "A") == []


def test_a_reason_is_a_sentence() -> None:
    for reason in ("", "  ", "ab", "x" * 2001):
        with pytest.raises(ValueError, match="reason"):
            _deferred(DAY, reason)
    with pytest.raises(ValueError, match="indicator"):
        FlagDecided(indicator="noise", raised_on=DAY, decision="watch")
    assert FlagReopened(indicator="open_report", raised_on=DAY, because=" over now ").because == "over now"
