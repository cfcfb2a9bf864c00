"""Uploads without a server: what begins as a sheet, how many may wait, and for how long one may come."""

import asyncio
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.access.addresses import LARGEST_UPLOAD
from fleetbrake.access.asgi import Message
from fleetbrake.access.brought_in import MOST_KEPT, Coming, is_sheet, sheet_from, told_again
from fleetbrake.access.keeper import Brought

HEAD = b'--b\r\nContent-Disposition: form-data; name="f"; filename="f.csv"\r\nContent-Type: text/csv\r\n\r\n'
END = b"\r\n--b--\r\n"


def _run(work: Any) -> Any:
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def _taken(*parts: bytes, ends: bool = True, seconds: float = 60.0) -> Any:
    """The outcome, and how many parts were read of it."""
    told: list[Message] = [{"type": "http.request", "body": part, "more_body": True} for part in parts]
    if ends:
        told[-1]["more_body"] = False
    number = len(told)

    async def _receive() -> Message:
        if told:
            return told.pop(0)
        await asyncio.sleep(0 if seconds > 1 else 60)
        return {"type": "http.disconnect"}

    return _run(sheet_from(_receive, seconds)), number - len(told)


@pytest.mark.parametrize(
    "content",
    [b"a,b\r\n1,2", b"", b"a;b\n\xe4;\xc3\xa4", "a,b".encode("utf-16"), b"\xef\xbb\xbfa,b\t\x0b\x0c", b"x," * 900_000],
)
def test_text_is_taken_as_it_came(content: bytes) -> None:
    whole = HEAD + content + END
    assert _taken(whole)[0] == whole
    for name in ("a\u202fb.csv", "a\\b.csv"):
        named = whole.replace(b'"f"', b'"' + name.encode() + b'"').replace(b"f.csv", name.encode())
        assert _taken(named)[0] == named
    assert _taken(*(whole[at : at + 70_000] for at in range(0, len(whole), 70_000)))[0] == whole
    assert _taken(*(whole[at : at + 1] for at in range(min(len(whole), 300))), whole[300:])[0] == whole


@pytest.mark.parametrize(
    "begin",
    [
        HEAD + b"PK\x03\x04",
        HEAD + b"\x00" * 50,
        HEAD.replace(b"f.csv", b"f.xlsx"),
        HEAD.replace(b"f.csv", b"f.csv.exe"),
        HEAD.replace(b"f.csv", b"../f.csv"),
        HEAD.replace(b"f.csv", "f\u202evsc.csv".encode()),
        HEAD.replace(b"f.csv", b'f.csv"; filename="f.exe'),
        HEAD.replace(b'filename="f.csv"', b"filename*=UTF-8''f.csv"),
        HEAD.replace(b'; filename="f.csv"', b""),
        HEAD.replace(b"text/csv", b"text/csv\r\nX-More: 1"),
        HEAD.replace(b"--b", b"b"),
        HEAD.replace(b"\r\n\r\n", b""),
        b"x" * 10_000,
        b"",
    ],
)
def test_what_is_no_sheet_is_refused_from_its_beginning(begin: bytes) -> None:
    (status, _), _ = _taken(begin + END)
    assert status == 415
    found, read = _taken(begin + b"a" * 6_000, *[b"a" * 60_000] * 20, ends=False)
    assert found[0] == 415 and read == 1, "and the rest is not read"


@settings(deadline=None)  # each starts threads of its own: a busy machine takes its time
@given(st.binary(max_size=300))
def test_no_bytes_break_it(content: bytes) -> None:
    for found in (_taken(content)[0], _taken(HEAD + content)[0]):
        assert isinstance(found, bytes) or found[0] == 415


def test_what_does_not_come_to_its_end_is_kept_by_nobody() -> None:
    assert _taken(HEAD + b"a,b", ends=False)[0] is None
    assert _taken(HEAD + b"a,b", ends=False, seconds=0.05)[0][0] == 408
    assert _taken(HEAD, *[b"a" * 100_000] * (LARGEST_UPLOAD // 100_000 + 1), ends=False)[0][0] == 413


def test_a_body_is_told_again_and_then_what_comes() -> None:
    async def _receive() -> Message:
        return {"type": "http.disconnect"}

    again = told_again(b"x", _receive)
    assert _run(again()) == {"type": "http.request", "body": b"x", "more_body": False}
    assert _run(again())["type"] == "http.disconnect"


@pytest.mark.parametrize(
    ("kept", "may"),
    [
        ([], True),
        ([Brought(MOST_KEPT - 1, 10)], True),
        ([Brought(MOST_KEPT - 4, 10), Brought(4, 10)], False),
        ([Brought(1, 9_800_000)], True),
        ([Brought(1, 9_800_001)], False),
    ],
)
def test_few_files_of_a_person_wait(kept: Sequence[Brought], may: bool) -> None:
    with Coming().one_more("p", kept) as found:
        assert found is may


def test_what_is_on_its_way_counts() -> None:
    coming = Coming()
    with coming.one_more("p", []) as one, coming.one_more("p", []) as two, coming.one_more("p", []) as three:
        with coming.one_more("p", []) as four, coming.one_more("p", []) as five, coming.one_more("p", []) as six:
            assert (one, two, three, four, five, six) == (True, True, True, True, True, False)
        with coming.one_more("other", []) as theirs:
            assert theirs
    with coming.one_more("p", []) as again:
        assert again


@pytest.mark.parametrize(
    ("name", "is_one"),
    [("findings.csv", True), ("FINDINGS.CSV", True), ("a b ü.csv", True), (".csv", True), ("csv", False), ("", False),
     ("a.csv\n", False), ("a\u202e.csv", False), ("a/b.csv", False), ("a\\b.csv", True), ("a.tsv", False),
     ("a\u00a0b.csv", True), ("a\u202fb.csv", True), ("a\u00adb.csv", True), ("a\u200db.csv", True),
     ("a\x1b.csv", False), ("a\x85.csv", False), ("a\ud800.csv", False), ("a\u2066.csv", False),
     ("a\u200f.csv", False)],
)  # fmt: skip
def test_names_of_sheets(name: str, is_one: bool) -> None:
    assert is_sheet(name) is is_one
