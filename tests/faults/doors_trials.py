"""Requests and messages drawn at random, by people who may see nothing or little: counted, each to be made again.

What must hold of every one: nothing of the fleet goes to whoever is not let in, no driver's name to whoever may not
read it, nothing is entered by whoever may only look, and the server goes on.
"""

import random
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from browser.serving import served
from builders import PLAIN, build_store
from faults.doors_speaker import Drawn, Speaker, asked, signed_cookie, write_sign_in
from faults.tally import LongForm, Tally
from streamlit.proto.BackMsg_pb2 import BackMsg

from fleetbrake.access.roles import PAGES
from fleetbrake.store.entered import entries

FLEET = (*PLAIN.vehicles, *PLAIN.drivers, *PLAIN.depots)
_VERBS = ("GET", "GET", "GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "CONNECT", "get", "G E T")
_PARTS = (
    *PAGES, "_stcore", "stream", "health", "metrics", "host-config", "upload_file", "media", "static", "component",
    "auth", "login", "logout", "oauth2callback", "agent", "mcp", "..", ".", "", "%2e%2e", "%00", ";", "\\", "app", "js",
    "0" * 32, "bidi-components", "seat.py", "fleet.duckdb", "entered.sqlite", "%5c", "%2f", "é",
)  # fmt: skip
_HEADERS = (
    "Origin: https://evil.example.org", "Origin: null", "X-Forwarded-For: 127.0.0.1", "X-Forwarded-Host: 127.0.0.1",
    "Forwarded: for=127.0.0.1", "X-Real-IP: 127.0.0.1", "Upgrade: websocket", "Sec-Fetch-Site: cross-site",
    "Range: bytes=0-9", "Content-Length: 99999999999", "Transfer-Encoding: chunked", "Expect: 100-continue",
    "Cookie: _streamlit_user=x", "Cookie: _streamlit_xsrf=x", "X-Xsrftoken: x", "Accept: application/x-protobuf",
    "Sec-WebSocket-Protocol: streamlit, x, y", "Authorization: Basic YWRtaW46YWRtaW4=", "X-User: one-admin",
)  # fmt: skip


@contextmanager
def opened() -> Iterator[tuple[str, Path]]:
    """The pages behind a sign-in: their address and their store."""
    with tempfile.TemporaryDirectory(prefix="doors-") as name:
        folder = Path(name)
        store, file = build_store(folder / "store"), write_sign_in(folder / "sign-in.toml")
        with served(store, folder / "pages.log", "--sign-in", str(file)) as at:
            yield at, store


def requests(at: str, seed: int, number: int) -> Tally:
    """Requests with verbs, paths and headers drawn from what is there and what is not, without a sign-in."""
    tally = Tally("requests before the door, drawn at random")
    port = int(at.rpartition(":")[2])
    with tally.timed():
        for trial in range(number):
            draw = random.Random(f"{seed}/{trial}")
            path = "/" + draw.choice(["/", "/", "/", "//", ";"]).join(draw.choices(_PARTS, k=draw.randint(0, 4)))
            lines = [
                f"{draw.choice(_VERBS)} {path} HTTP/1.1",
                f"Host: {draw.choice((f'127.0.0.1:{port}', 'evil', ''))}",
            ]
            lines += draw.sample(_HEADERS, draw.randint(0, 4))
            answer = _answer(port, "\r\n".join([*lines, "Connection: close", "", ""]).encode("utf-8"))
            found = [word for word in FLEET if word.encode() in answer]
            told = answer[9:12].decode("latin-1") if answer.startswith(b"HTTP/1.1 ") else "closed"
            tally.add(told, f"seed {seed}, request {trial}: {lines} gives {found}" if found else None)
        if asked(at, "/_stcore/health")[0] != 200:
            tally.failures.append(f"seed {seed}: the server does not answer any more")
    return tally


def _answer(port: int, request: bytes) -> bytes:
    answer = b""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=10) as raw:
            raw.sendall(request)
            raw.shutdown(socket.SHUT_WR)
            while part := raw.recv(65536):
                answer += part
    except OSError:
        pass
    return answer


def messages(at: str, store: Path, seed: int, number: int) -> Tally:
    """Messages of the pages' own protocol, right, altered or of other kinds, by nobody and by those who may look."""
    tally = Tally("messages by web socket, drawn at random")
    with tally.timed():
        shown = _of(at, "one-planner").rerun()
        scripts, before = list(shown.pages.values()), entries(store)
        for person, hidden in (("", FLEET), ("one-stranger", FLEET), ("one-analyst", PLAIN.drivers)):
            draw = random.Random(f"{seed}/{person}")
            speaker = _of(at, person)
            for trial in range(number // 3):
                message = _message(draw, scripts, shown)
                try:
                    speaker.say(message)
                    drawn = speaker.rerun(draw.choice([*PAGES, ""])) if trial % 10 == 9 else speaker.heard("x", 0.01)
                except Exception:  # closed: that is an answer
                    speaker, drawn = _of(at, person), Drawn()
                found = drawn.holds(*hidden)
                failure = f"seed {seed}, message {trial} of {person or 'nobody'} gives {found}" if found else None
                tally.add(person or "nobody", failure)
            # asked anew: the last of the messages may have closed the other one, or still be worked on
            if person == "one-analyst" and not _of(at, person).rerun().holds(PLAIN.vehicles[0]):
                tally.failures.append(f"seed {seed}: nothing was drawn for {person}, so that nothing was tried")
            speaker.close()
        if entries(store) != before:
            tally.failures.append(f"seed {seed}: something was entered by somebody who may only look")
        if not _of(at, "one-planner").rerun().holds(PLAIN.vehicles[0]):
            tally.failures.append(f"seed {seed}: the pages do not answer any more")
    return tally


def _of(at: str, person: str) -> Speaker:
    return Speaker(at, signed_cookie(at, person) if person else "")


def _message(draw: random.Random, scripts: list[str], shown: Drawn) -> bytes:
    """A message that a page could send, one that only developers send, or one with bytes that were changed."""
    message = BackMsg()
    kind = draw.randrange(8)
    if kind < 4:
        asked_for = message.rerun_script
        asked_for.page_script_hash = draw.choice([*scripts, "", "0" * 32])
        asked_for.page_name = draw.choice([*PAGES, "", "../drivers", "x" * 2000])
        asked_for.query_string = draw.choice(["", "vehicle=x", "driver=D-104", "units=us", "%00" * 50])
        asked_for.fragment_id = draw.choice(["", "", "0" * 32])
        for _ in range(draw.randrange(4)):
            state = asked_for.widget_states.widgets.add()
            state.id = draw.choice(shown.widgets)
            state.trigger_value = True
    elif kind == 4:
        setattr(message, draw.choice(["clear_cache", "load_git_info", "set_run_on_save", "stop_script"]), True)
    elif kind == 5:
        message.debug_shutdown_runtime = True
    elif kind == 6:
        operation = message.backend_operation_request
        operation.request_id = "r"
        draw.choice([operation.install_skills, operation.deferred_file, operation.dataframe_chunk]).SetInParent()
    else:
        message.file_urls_request.request_id = "r"
        message.file_urls_request.file_names.append("x")
    content = bytearray(message.SerializeToString())
    for _ in range(draw.choice([0, 0, 1, 3])):
        if content:
            content[draw.randrange(len(content))] = draw.randrange(256)
    return bytes(content)


def trials(seed: int, requests_made: int, messages_sent: int) -> list[Tally]:
    """Both kinds."""
    with opened() as (at, store):
        return [requests(at, seed, requests_made), messages(at, store, seed, messages_sent)]


def _long(seed: int, _minutes: float) -> list[Tally]:
    return trials(seed, 10_000, 3_000)


LONG: LongForm = _long
