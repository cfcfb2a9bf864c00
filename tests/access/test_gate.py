"""The gate without a server: which addresses there are, whose a file is, what goes with an answer."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from gate_keeper import INSIDE, OUTSIDE
from gate_keeper import StubKeeper as _Keeper
from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.access.addresses import SIGN_IN_ERRORS, Sort, download_of, file_of, session_of, told_at_sign_in, way_to
from fleetbrake.access.answer_headers import dressed
from fleetbrake.access.asgi import headers_of
from fleetbrake.access.caller import NOT_HERE, Caller
from fleetbrake.access.ended import Ended
from fleetbrake.access.gate import MOST_INSIDE, Gate
from fleetbrake.access.keeper import Brought, page_name, whose
from fleetbrake.access.kept_files import KeptFiles
from fleetbrake.access.roles import NOBODY, PAGES

FILE = "0123456789abcdef" * 2
SESSION = "0" * 36


def _run(work: Coroutine[Any, Any, None]) -> None:
    """In a thread of its own: another test of this process may have a loop at work in this one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()


def _asked(gate: Gate, path: str, method: str = "GET", **headers: str) -> tuple[int, dict[bytes, bytes]]:
    """Status and headers of an answer."""
    said: list[dict[str, Any]] = []

    async def _send(message: Any) -> None:
        said.append(dict(message))

    async def _receive() -> Any:
        return {"type": "http.request"}

    scope = {
        "type": "http", "path": path, "method": method, "query_string": b"", "client": ("127.0.0.1", 1),
        "headers": [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip
    _run(gate(scope, _receive, _send))
    return said[0]["status"], dict(said[0]["headers"])


async def _all_is_well(_scope: Any, _receive: Any, send: Any) -> None:
    cookie = (b"set-cookie", b"_streamlit_user=x; Max-Age=2592000; HttpOnly; Path=/; SameSite=Lax")
    await send({"type": "http.response.start", "status": 200, "headers": [cookie]})
    await send({"type": "http.response.body", "body": b""})


@pytest.mark.parametrize(
    ("path", "sort"),
    [
        ("/", Sort.FRAME), *((f"/{page}", Sort.FRAME) for page in PAGES), ("/nothing-there", Sort.FRAME),
        ("/static/js/index.DormvYxC.js", Sort.ASSET), ("/favicon.png", Sort.ASSET), ("/_stcore/health", Sort.LIFE),
        ("/_stcore/stream", Sort.STREAM), ("/auth/login", Sort.SIGN_IN), ("/auth/logout", Sort.SIGN_OUT),
        (f"/media/{FILE}.pdf", Sort.DOWNLOAD), (f"/media/{FILE}", Sort.DOWNLOAD),
    ],
)  # fmt: skip
def test_what_an_address_leads_to(path: str, sort: Sort) -> None:
    way = way_to(path)
    assert way is not None and way.sort is sort


@given(st.text(max_size=60).map("/".__add__))
def test_of_other_texts_a_page_at_most(path: str) -> None:
    way = way_to(path)
    assert way is None or way.sort in (Sort.FRAME, Sort.ASSET)
    assert way is None or ".." not in path


@pytest.mark.parametrize(
    "path", ["/static/..", "/static/../x", "/static//x", "/static/.x", "/media/x", "/static/", "//"]
)
def test_what_leads_nowhere(path: str) -> None:
    assert way_to(path) is None and download_of(path) is None


def test_over_https_cookies_travel_there_alone_and_last_a_day_at_most() -> None:
    status, headers = _asked(Gate(_all_is_well, _Keeper()), "/auth/login")
    assert status == 200
    assert headers[b"set-cookie"] == b"_streamlit_user=x; Max-Age=43200; HttpOnly; Path=/; SameSite=Lax; Secure"
    assert headers[b"cache-control"] == b"no-store" and b"frame-ancestors 'none'" in headers[b"content-security-policy"]


@pytest.mark.parametrize(
    ("cookie", "origin", "becomes"),
    [
        (b"a=1", "http://127.0.0.1:8600", b"a=1"),
        (b"a=1; Secure; Path=/", "https://x", b"a=1; Secure; Path=/"),
        (b"a=1; max-age=60", "https://x", b"a=1; max-age=60; Secure"),
        (b"a=secure; Max-Age=999; Expires=Thu, 01 Jan 2099 00:00:00 GMT", "https://x",
         b"a=secure; Max-Age=100; Secure"),
        (b"a=; Max-Age=0; Expires=Thu, 01 Jan 1970 00:00:00 GMT", "http://x",
         b"a=; Max-Age=0; Expires=Thu, 01 Jan 1970 00:00:00 GMT"),
    ],
)  # fmt: skip
def test_attributes_of_cookies(cookie: bytes, origin: str, becomes: bytes) -> None:
    told = dict(dressed([(b"set-cookie", cookie)], origin, longest_s=100, keep_nothing=False))
    assert told[b"set-cookie"] == becomes


def test_files_are_for_whom_they_were_told() -> None:
    files = KeptFiles(most=3)
    files.note([FILE], "a")
    assert files.told(FILE, "a") and not files.told(FILE, "b") and not files.told(FILE[:-1] + "0", "a")
    for number in range(3):
        files.note([f"{number:032x}"], "a")
    assert not files.told(FILE, "a"), "the oldest goes first"
    assert files.told(f"{2:032x}", "a")


def test_a_file_nobody_was_told_of_is_for_nobody() -> None:
    for caller in (INSIDE, OUTSIDE, Caller(NOBODY, NOT_HERE)):
        assert _asked(Gate(_all_is_well, _Keeper(caller)), f"/media/{FILE}.pdf")[0] == 403


def test_beyond_this_machine_everything_but_its_health_is_refused() -> None:
    """Where no sign-in is set up. Before a framework that would give anything to anybody."""
    gate = Gate(_all_is_well, _Keeper(Caller(NOBODY, NOT_HERE)))
    paths = ["/", "/vehicle", "/static/x.js", "/auth/login", "/auth/logout", "/_stcore/host-config", f"/media/{FILE}"]
    assert {_asked(gate, path)[0] for path in paths} == {403}
    assert _asked(gate, "/_stcore/health")[0] == 200
    said: list[Any] = []

    async def _send(message: Any) -> None:
        said.append(message)

    scope = {"type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None}
    _run(gate(scope, _all_is_well, _send))  # type: ignore[arg-type]
    assert said == [{"type": "websocket.close", "code": 1008}]


def test_ended_sign_ins_are_one_person_at_one_moment() -> None:
    ended, claims = Ended(), {"iss": "p", "sub": "s", "iat": 100}
    ended.end(claims)
    assert claims in ended and {**claims, "name": "other"} in ended
    for other in ({"iat": 101}, {"sub": "t"}, {"iss": "q"}, {"iat": None}, {"iat": True}, {"sub": None}):
        assert {**claims, **other} not in ended
    ended.end({"iat": 1})
    assert {"iat": 1} not in ended and {} not in ended, "who is not named has not signed in"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get"])
def test_looking_is_all_that_is_done(method: str) -> None:
    for path in ("/", "/vehicle", "/_stcore/health", "/auth/login", f"/media/{FILE}"):
        assert _asked(Gate(_all_is_well, _Keeper()), path, method)[0] == 405


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 411),
        ({"content_length": "x"}, 411),
        ({"content_length": "-1"}, 411),
        ({"content_length": "²"}, 411),
        ({"content_length": "10", "transfer_encoding": "chunked"}, 411),
        ({"content_length": "2200001"}, 413),
        ({"content_length": "9" * 5_000}, 413),
        ({"content_length": "2000000"}, 415),  # nothing came, which is no sheet
        ({"content_length": "2000000", "sec_fetch_site": "cross-site"}, 403),
    ],
)
def test_what_is_brought_in_is_small_and_says_so(headers: dict[str, str], status: int) -> None:
    slot, gate = f"/_stcore/upload_file/{SESSION}/{'0' * 36}", Gate(_all_is_well, _Keeper())
    gate._files.note([page_name(SESSION)], whose(INSIDE))
    assert _asked(gate, slot, "PUT", **headers)[0] == status
    assert _asked(Gate(_all_is_well, _Keeper()), slot, "PUT", **headers)[0] == (403 if status in (200, 415) else status)
    assert _asked(Gate(_all_is_well, _Keeper(OUTSIDE)), slot, "PUT", **headers)[0] == 403


def test_headers_that_stand_there_twice() -> None:
    told = [(b"Cookie", b"a=1"), (b"cookie", b"b=2"), (b"X", b"1"), (b"x", b"2")]
    assert headers_of({"headers": told}) == {"cookie": "a=1; b=2", "x": "1, 2"}
    for name in (b"host", b"origin", b"content-length"):
        assert headers_of({"headers": [(name, b"a"), (name.upper(), b"b")]}) is None


def test_another_name_is_refused_and_said_once() -> None:
    gate = Gate(_all_is_well, _Keeper(ours=False))
    assert [_asked(gate, path)[0] for path in ("/", "/vehicle", "/_stcore/health")] == [421, 421, 200]


def test_pages_are_counted_until_they_are_closed() -> None:
    """Where one ends by an error it is closed as well. Of many people: one alone opens three a second."""
    opened: list[int] = []

    async def _breaks(_scope: Any, _receive: Any, _send: Any) -> None:
        opened.append(gate._open[True])
        raise ZeroDivisionError

    keeper = _Keeper()
    gate = Gate(_breaks, keeper)
    scope = {"type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None}
    for number in range(MOST_INSIDE + 5):
        keeper._caller = replace(INSIDE, person=f"p{number // 2}")
        with pytest.raises(ZeroDivisionError):
            _run(gate(dict(scope), _all_is_well, _all_is_well))  # type: ignore[arg-type]
    assert opened == [1] * (MOST_INSIDE + 5) and not gate._open_of


@pytest.mark.parametrize(
    "query",
    [
        "error=%1b[2J", "error_description=%e2%80%ae", "error=a%0ab", "state=%c2%9b1m", "code=" + "a" * 4_000,
        "error=all+is+lost", "err%6fr=all+is+lost", "error=access_denied&error=all", "error=ACCESS_DENIED", "error=",
    ],
)  # fmt: skip
def test_nobody_writes_what_he_likes_into_the_log(query: str) -> None:
    """The framework logs what a provider is said to have answered; whoever stands before the door may say anything."""
    assert told_at_sign_in(query.encode("ascii")) is None
    said: list[Any] = []

    async def _send(message: Any) -> None:
        said.append(dict(message))

    scope = {
        "type": "http", "path": "/oauth2callback", "method": "GET", "query_string": query.encode("ascii"),
        "client": ("127.0.0.1", 1), "headers": [(b"host", b"brakes.example.org")],
    }  # fmt: skip
    _run(Gate(_all_is_well, _Keeper())(scope, _all_is_well, _send))  # type: ignore[arg-type]
    assert said[0]["status"] == 400


@pytest.mark.parametrize(
    ("query", "reaches"),
    [
        (b"code=4%2F0Ab-c_d&state=x%20y&session_state=1e9", b"code=4%2F0Ab-c_d&state=x%20y&session_state=1e9"),
        (b"error=access_denied&error_description=Zugriff%20verweigert&state=s", b"error=access_denied&state=s"),
        (b"error=login%5Frequired&error%5furi=x&error_description", b"error=login%5Frequired"),
        (b"", b""),
    ],
)
def test_an_error_of_the_provider_comes_without_its_explanation(query: bytes, reaches: bytes) -> None:
    seen: list[bytes] = []

    async def _notes(scope: Any, receive: Any, send: Any) -> None:
        seen.append(scope["query_string"])
        await _all_is_well(scope, receive, send)

    scope = {
        "type": "http", "path": "/oauth2callback", "method": "GET", "query_string": query, "client": None,
        "headers": [(b"host", b"brakes.example.org")],
    }  # fmt: skip

    async def _send(_message: Any) -> None:
        pass

    _run(Gate(_notes, _Keeper())(scope, _all_is_well, _send))  # type: ignore[arg-type]
    assert seen == [reaches] and {"access_denied", "interaction_required"} <= SIGN_IN_ERRORS


_BROUGHT = b'--b\r\nContent-Disposition: form-data; name="f"; filename="f.csv"\r\n\r\na,b\r\n--b--\r\n'


def test_a_new_sheet_takes_the_place_of_the_one_before() -> None:
    """What a page was brought before does not count against it; what other pages keep does."""
    slot, other, said = f"/_stcore/upload_file/{SESSION}/new", "1" * 36, []
    keeper = _Keeper()
    gate = Gate(_all_is_well, keeper)
    gate._files.note([page_name(SESSION), page_name(other)], whose(INSIDE))
    assert (session_of(slot), file_of(slot), file_of("/media/x")) == (SESSION, "new", "")

    async def _come() -> Any:
        return {"type": "http.request", "body": _BROUGHT, "more_body": False}

    async def _send(message: Any) -> None:
        said.append(message.get("status"))

    scope = {
        "type": "http", "path": slot, "method": "PUT", "query_string": b"", "client": None,
        "headers": [(b"content-length", str(len(_BROUGHT)).encode())],
    }  # fmt: skip
    for kept, status in ((SESSION, 200), (other, 413)):
        keeper.kept, said[:] = {kept: Brought(8, 100)}, []
        _run(gate(dict(scope), _come, _send))
        assert said[0] == status and keeper.only == [(SESSION, "new")], kept
