"""Who is not let in and sends more than pages do: others are served, and places are free again. On a real server."""

import base64
import os
import socket
import time
from contextlib import ExitStack, suppress

import pytest
from faults.doors_site import Site, nothing_secret_in_the_log, raw
from faults.doors_speaker import Speaker
from websockets.exceptions import InvalidHandshake

from fleetbrake.access.ahead import MOST_WAITING
from fleetbrake.access.caller import SIGN_IN_FIRST
from fleetbrake.access.gate import MOST_OUTSIDE

#: How long others wait at most while it goes on (s): they waited for hours, or three seconds for each answer. A busy
#: machine takes its time as well.
_PATIENCE_S = 20.0
_BYTES, _MORE, _PING = 2, 0, 9


def _frame(kind: int, data: bytes = b"", last: bool = True) -> bytes:
    """As a browser sends it: RFC 6455 section 5.2 (from memory)."""
    size = bytes([128 | len(data)]) if len(data) < 126 else bytes([255]) + len(data).to_bytes(8, "big")
    return bytes([(128 if last else 0) | kind]) + size + b"\0\0\0\0" + data


def _opened(site: Site) -> socket.socket:
    """A web socket that keeps to no rules once it is open."""
    key = base64.b64encode(os.urandom(16)).decode()
    told = (
        "GET /_stcore/stream HTTP/1.1", f"Host: 127.0.0.1:{site.port}", f"Origin: {site.at}", "Upgrade: websocket",
        "Connection: Upgrade", f"Sec-WebSocket-Key: {key}", "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Protocol: streamlit", "", "",
    )  # fmt: skip
    link = socket.create_connection(("127.0.0.1", site.port), timeout=_PATIENCE_S)
    link.sendall("\r\n".join(told).encode())
    assert link.recv(4_096).startswith(b"HTTP/1.1 101")
    return link


def _is_cut(link: socket.socket, sent: bytes, times: int) -> bool:
    """Whether the server ends the connection while it is sent this again and again."""
    try:
        for _ in range(times):
            link.sendall(sent)
        while link.recv(65_536):
            pass
    except TimeoutError:
        return False
    except OSError:
        pass
    return True


@pytest.mark.parametrize(
    ("begun", "kind", "last"),
    [(b"", _PING, True), (_frame(_BYTES, last=False), _MORE, False), (b"", _BYTES, True)],
    ids=["pings", "empty pieces", "empty messages"],
)
def test_a_flood_of_frames_is_cut(site: Site, begun: bytes, kind: int, last: bool) -> None:
    with _opened(site) as link:
        link.sendall(begun)
        assert _is_cut(link, _frame(kind, last=last) * 40_000, 20)
    assert raw(site.port, "GET /_stcore/health HTTP/1.1", patience_s=_PATIENCE_S)[0] == 200


def test_what_is_never_finished_is_not_taken_in(site: Site) -> None:
    with _opened(site) as link:
        assert _is_cut(link, _frame(_BYTES, bytes(30_000_000))[:-1], 1)


def test_whoever_left_holds_no_place(site: Site) -> None:
    """All places before the door, each with messages that wait for their turn: then all of them leave. Messages that
    are answered by nothing: else it is seen by the answer that nobody takes."""
    with ExitStack() as crowd:
        for _ in range(MOST_OUTSIDE):
            crowd.enter_context(_opened(site)).sendall(_frame(_BYTES) * MOST_WAITING)
        with pytest.raises(InvalidHandshake):
            site.speaker()
    end = time.monotonic() + _PATIENCE_S
    while time.monotonic() < end:
        with suppress(InvalidHandshake), site.speaker() as speaker:
            assert speaker.rerun().holds(SIGN_IN_FIRST)
            return
        time.sleep(0.1)
    pytest.fail("the places of those who left are not free")


def test_pages_before_the_door_push_nobody_out_whose_connection_was_cut(site: Site) -> None:
    """The framework keeps a page for its browser to go on with, but not of everybody."""
    cookie = site.cookie("one-planner", age_s=800.0)
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
    with site.speaker() as outside:
        outside.rerun()
    for _ in range(140):  # the framework would keep 128
        _opened(site).close()
    for before, cookies, goes_on in ((speaker, cookie, True), (outside, "", False)):
        with Speaker(site.at, cookies, goes_on=before.session) as again:
            again.rerun()
            assert (again.session == before.session) == goes_on


def test_all_that_left_nothing_secret_behind_and_one_address_alone_is_named(site: Site) -> None:
    nothing_secret_in_the_log(site)
    log = site.log.read_text(encoding="utf-8")
    assert f"Pages at {site.at} " in log and f"localhost:{site.port}" not in log
    assert not [line for line in log.splitlines() if line.strip().startswith(("URL:", "Local URL", "Network URL"))]
