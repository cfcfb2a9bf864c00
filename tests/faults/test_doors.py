"""Who gets in and what they reach, tried on a real server without a browser that would keep to the rules."""

import contextlib
import json
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from browser.serving import served
from builders import PLAIN, build_store
from faults import doors_trials
from faults.doors_speaker import (
    CLIENT_SECRET,
    COOKIE_SECRET,
    PEOPLE,
    Drawn,
    Speaker,
    asked,
    signed_cookie,
    write_sign_in,
)
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.exceptions import ConnectionClosed, InvalidHandshake

from fleetbrake.access.addresses import Sort, way_to
from fleetbrake.access.caller import LONGEST_HOURS, SIGN_IN_FIRST, TOO_LONG_AGO
from fleetbrake.access.gate import LONGEST_MESSAGE, MOST_OUTSIDE
from fleetbrake.access.roles import PAGES, Role, Viewer
from fleetbrake.store.entered import entries

FLEET = (*PLAIN.vehicles, *PLAIN.drivers, *PLAIN.depots)
_REFUSED = "This page is not for your role"
ROLES = {
    "one-planner": Role.PLANNER,
    "one-safety": Role.SAFETY,
    "one-analyst": Role.ANALYST,
    "one-admin": Role.ADMIN,
}


#: What somebody's surroundings may say of the framework: the command says otherwise, and holds.
_OPENED_BY_THE_SURROUNDINGS = {
    "LOGGER_LEVEL": "debug",
    "CLIENT_SHOW_ERROR_DETAILS": "full",
    "GLOBAL_DEVELOPMENT_MODE": "true",
    "SERVER_ENABLE_AGENT_API": "true",
    "SERVER_ENABLE_CORS": "false",
    "SERVER_ENABLE_STATIC_SERVING": "true",
    "SERVER_ENABLE_XSRF_PROTECTION": "false",
    "SERVER_MAX_UPLOAD_SIZE": "1000",
}


@dataclass(frozen=True)
class Site:
    at: str
    store: Path
    file: Path
    log: Path

    def cookie(self, person: str, **told: object) -> str:
        return signed_cookie(self.at, person, **told)  # type: ignore[arg-type]

    def speaker(self, person: str = "") -> Speaker:
        return Speaker(self.at, self.cookie(person) if person else "")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """The pages behind a sign-in, started by the product's own command: starting them takes longest."""
    folder = tmp_path_factory.mktemp("doors")
    store, file = build_store(folder / "store"), write_sign_in(folder / "sign-in.toml")
    with pytest.MonkeyPatch.context() as surroundings:
        for name, value in _OPENED_BY_THE_SURROUNDINGS.items():
            surroundings.setenv(f"STREAMLIT_{name}", value)
        with served(store, folder / "pages.log", "--sign-in", str(file)) as at:
            yield Site(at, store, file, folder / "pages.log")


@pytest.fixture(scope="module")
def shown(site: Site) -> Drawn:
    """What the planner's first page is made of: its widgets and the framework's names of all pages."""
    with site.speaker("one-planner") as speaker:
        drawn = speaker.rerun()
    assert drawn.holds(PLAIN.vehicles[0]) and len(drawn.pages) >= len(PAGES)
    return drawn


# --- addresses -------------------------------------------------------------------------------------------------------


def _framework_routes() -> list[tuple[str, list[str]]]:
    """All addresses that the framework would answer, asked from itself, in a process of its own."""
    code = (
        "import json, streamlit as st;"
        "from streamlit.runtime import Runtime;"
        "app = st.App(r'{}')._build_starlette_app();"
        "print(json.dumps([(r.path, sorted(getattr(r, 'methods', None) or [])) for r in app.routes]))"
    ).format(Path(__file__).resolve().parents[2] / "dashboards" / "app.py")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return [(path, methods) for path, methods in json.loads(done.stdout.splitlines()[-1])]


def test_of_all_addresses_of_the_framework_none_gives_anything_of_the_fleet(site: Site) -> None:
    """A later version's new address is one that nobody has allowed; this asks the version that is installed."""
    routes = _framework_routes()
    assert {"/_stcore/health", "/_stcore/metrics", "/_stcore/stream", "/media/{file_id:path}"} <= {p for p, _ in routes}
    for template, _ in routes:
        path = re.sub(r"\{[^}]*\}", "0" * 56, template) or "/"
        for method in ("GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
            status, _, body = asked(site.at, path, method=method, body=b"x" if method in ("POST", "PUT") else None)
            way = way_to(path)
            if way is None or method not in way.methods:
                assert status in (404, 405), (method, path, status)
            elif way.sort not in (Sort.FRAME, Sort.ASSET, Sort.LIFE, Sort.SIGN_IN, Sort.SIGN_OUT):
                assert status >= 400, (method, path, status)
            assert not [word for word in FLEET if word.encode() in body], (method, path)


@pytest.mark.parametrize("path", ["/", *(f"/{page}" for page in PAGES), "/no-such-page", "/door", "/first"])
def test_an_address_of_a_page_is_an_empty_frame(site: Site, path: str) -> None:
    frame = asked(site.at, "/")[2]
    for cookie in ("", site.cookie("one-admin")):
        status, headers, body = asked(site.at, path, Cookie=cookie)
        assert status == 200 and body == frame
        told = {name.lower(): value for name, value in headers.items()}
        assert "frame-ancestors 'none'" in told["content-security-policy"]
        assert told["x-content-type-options"] == "nosniff" and told["referrer-policy"] == "same-origin"


_TRICKS = [
    "//", "//vehicle", "///_stcore/metrics", "/./vehicle", "/../vehicle", "/%2e%2e/vehicle", "/vehicle/..",
    "/_stcore/%6detrics", "/_stcore//metrics", "/_stcore/metrics/", "/_stcore/health/../metrics", "/_stcore/metrics;x",
    "/%5fstcore/metrics", "/media/..%2f..%2fetc%2fpasswd", "/static/../../app.py", "/static/%2e%2e/%2e%2e/app.py",
    "/static/..%5c..%5capp.py", "/app/static/seat.py", "/seat.py", "/views/drivers.py", "/component/../app.py",
    "/_stcore/agent/interact", "/_stcore/agent/mcp", "/_stcore/bidi-components/x/y", "/_stcore/script-health-check",
    "/%00", "/vehicle%00", "/vehicle%0d%0aSet-Cookie:x", "/VEHICLE/x", "/_stcore/stream", "/index.html", "/.env",
    "/_stcore/upload_file/x/y", "/media/" + "0" * 57, "/media/" + "g" * 56, "/" + "a" * 2_000,
]  # fmt: skip


@pytest.mark.parametrize("person", ["", "one-admin"])
def test_tricks_with_paths_lead_nowhere(site: Site, person: str) -> None:
    """Sent as they stand, since clients tidy paths up. What has the shape of a page's name is the empty frame."""
    frame = asked(site.at, "/")[2]
    for path in _TRICKS:
        status, body = _raw(site, f"GET {path} HTTP/1.1", f"Cookie: {site.cookie(person)}" if person else "X-None: 1")
        assert status >= 400 or body.endswith(frame), path
        assert not [word for word in FLEET if word.encode() in body], path
        assert b"def " not in body and b"# TYPE" not in body, path


def _raw(site: Site, *lines: str, body: bytes = b"") -> tuple[int, bytes]:
    """Status and body of an answer to a request as it stands."""
    port = int(site.at.rpartition(":")[2])
    more = {"host": f"Host: 127.0.0.1:{port}", "connection": "Connection: close"}
    for line in lines:
        more.pop(line.partition(":")[0].lower(), None)
    with socket.create_connection(("127.0.0.1", port), timeout=30) as raw:
        raw.sendall("\r\n".join([*lines, *more.values(), "", ""]).encode("latin-1") + body)
        answer = b""
        try:
            while part := raw.recv(65536):
                answer += part
        except ConnectionResetError:
            pass
    head, _, rest = answer.partition(b"\r\n\r\n")
    return int(head.split(b" ", 2)[1]) if head.startswith(b"HTTP/") else 599, rest


@pytest.mark.parametrize(
    "host", ["evil.example.org", "127.0.0.1.example.org", "localhost", "x@127.0.0.1", "", "[::1", "127.0.0.1:no"]
)
def test_under_another_name_nothing_is_served(site: Site, host: str) -> None:
    for path in ("/", "/vehicle", "/auth/login", "/_stcore/host-config"):
        status, body = _raw(site, f"GET {path} HTTP/1.1", f"Host: {host}", f"Cookie: {site.cookie('one-admin')}")
        assert status in (400, 421) and len(body) < 200, (host, path)


# --- web sockets -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example.org"},
        {"Origin": "http://localhost:3000"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1"},
        {"Host": "evil.example.org"},
    ],
)
def test_a_page_of_another_site_opens_no_web_socket(site: Site, headers: dict[str, str]) -> None:
    with pytest.raises(InvalidHandshake):
        Speaker(site.at, site.cookie("one-admin"), **headers)


def test_a_web_socket_without_an_origin_is_opened_by_nobody(site: Site) -> None:
    status, _ = _raw(
        site, "GET /_stcore/stream HTTP/1.1", "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==", f"Cookie: {site.cookie('one-admin')}",
    )  # fmt: skip
    assert status == 403


@pytest.mark.parametrize("person", list(ROLES))
def test_each_role_is_given_its_pages_however_it_asks(site: Site, shown: Drawn, person: str) -> None:
    """By address and by the framework's own name of a page, with and without the page before it."""
    one = Viewer(person, frozenset({ROLES[person]}))
    for page in (page for page in PAGES if not one.may_open(page)):
        with site.speaker(person) as speaker:
            ways = [speaker.rerun(page), speaker.rerun(script=shown.pages[page])]
            ways.append(speaker.rerun("inspections", script=shown.pages[page]))
        for drawn in ways:
            assert drawn.messages, page
        assert ways[0].holds(_REFUSED) and ways[1].holds(_REFUSED), page
        assert not ways[0].holds(*FLEET) and not ways[1].holds(*FLEET), page
        assert ways[2].holds(_REFUSED) or ways[2].holds(PLAIN.vehicles[0]), "one of the two, not a mixture"
        assert not ways[2].holds(*PLAIN.drivers)


@pytest.mark.parametrize("told", [{}, {"token": False}], ids=["nobody", "without the token"])
def test_before_the_door_no_page_and_no_widget_gives_anything(site: Site, shown: Drawn, told: dict[str, bool]) -> None:
    cookie = site.cookie("one-admin") if told else ""  # another site's page could send it, but not read the token
    pressed = [WidgetState(id=found, trigger_value=True) for found in shown.widgets]
    with Speaker(site.at, cookie, **told) as speaker:
        ways = [speaker.rerun("vehicle", states=pressed)]
        ways += [speaker.rerun(script=shown.pages[page]) for page in (PAGES if not told else ("drivers",)) if page]
        ways += [speaker.rerun(page, "vehicle=x") for page in ("vehicle", "drivers")]
    for drawn in ways:
        assert drawn.holds(SIGN_IN_FIRST) and not drawn.holds(*FLEET)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"age_s": LONGEST_HOURS * 3600 + 5},
        {"age_s": -4000.0},
        {"iat": None},
        {"origin": "https://other.example.org"},
        {"secret": "another-secret-another-secret-1234"},
        {"is_logged_in": "yes"},
    ],
)
def test_a_cookie_that_is_not_right_now_lets_nobody_in(site: Site, spoilt: dict[str, object]) -> None:
    with Speaker(site.at, site.cookie("one-admin", **spoilt)) as speaker:
        drawn = speaker.rerun("vehicle")
    assert drawn.messages and not drawn.holds(*FLEET)


def test_whoever_may_only_look_presses_buttons_in_vain(site: Site, shown: Drawn) -> None:
    """What a planner is shown to act with, pressed at once and one by one by somebody who may look only."""
    doing = [button for button in shown.widgets if "-do_" in button or "-run_" in button]
    assert len(doing) > 10
    before = entries(site.store), sorted(path.name for path in site.store.iterdir())
    with site.speaker("one-analyst") as speaker:
        speaker.rerun()
        every = speaker.rerun(states=[WidgetState(id=button, trigger_value=True) for button in doing])
        assert every.holds(PLAIN.vehicles[0]) and not every.holds("FormSubmitter")
        for button in (doing[0], next(button for button in doing if "-run_" in button)):
            drawn = speaker.rerun(states=[WidgetState(id=button, trigger_value=True)])
            assert drawn.messages and not drawn.holds("FormSubmitter"), button
    assert (entries(site.store), sorted(path.name for path in site.store.iterdir())) == before
    with site.speaker("one-planner") as speaker:  # the same message opens a form where somebody may act
        fix = next(button for button in doing if "-do_fix_" in button)
        speaker.rerun()
        assert speaker.rerun(states=[WidgetState(id=fix, trigger_value=True)]).holds("FormSubmitter")


@pytest.mark.parametrize("person", ["", "one-admin"])
def test_what_developers_ask_the_framework_for_is_not_asked(site: Site, person: str) -> None:
    """Version control's state, emptying what is kept for all, writing into the program's folder: nobody's business."""
    with site.speaker(person) as speaker:
        speaker.rerun()
        for message in (BackMsg(load_git_info=True), BackMsg(clear_cache=True), BackMsg(set_run_on_save=True),
                        BackMsg(debug_shutdown_runtime=True), b"\xff" * 40):  # fmt: skip
            speaker.say(message)
        writing = speaker.operate("install_skills", patience_s=1.0)
        drawn = speaker.rerun("vehicle")
    assert drawn.messages[-1].WhichOneof("type") == "script_finished", "it goes on"
    for answer in (writing, drawn):
        assert not answer.of("git_info_changed") and not answer.of("backend_operation_response")
        assert not [state for state in answer.of("session_status_changed") if state.run_on_save]


def test_a_message_that_no_page_sends_ends_its_connection_alone(site: Site) -> None:
    with site.speaker("one-planner") as other:
        for message in (b"x" * (LONGEST_MESSAGE + 1), "text"):
            with site.speaker() as speaker:
                speaker.say(message)
                assert not speaker.heard().messages
                with pytest.raises(ConnectionClosed):
                    speaker.say(b"")
                    speaker.heard()
                    speaker.say(b"")
        assert other.rerun().holds(PLAIN.vehicles[0])


def test_a_crowd_before_the_door_is_bounded_and_shuts_nobody_out(site: Site) -> None:
    crowd: list[Speaker] = []
    try:
        with pytest.raises(InvalidHandshake):
            for _ in range(MOST_OUTSIDE + 20):
                crowd.append(Speaker(site.at, token=False))
        assert MOST_OUTSIDE - 5 <= len(crowd) <= MOST_OUTSIDE
        with site.speaker("one-planner") as speaker:
            assert speaker.rerun().holds(PLAIN.vehicles[0])
    finally:
        for one in crowd:
            one.close()
    assert "pages are open already" in site.log.read_text(encoding="utf-8")


# --- ends ------------------------------------------------------------------------------------------------------------


def _looking_again(drawn: Drawn) -> str:
    """The part of a page that asks by itself whether it may still be seen."""
    (again,) = drawn.of("auto_rerun")
    assert again.interval == 30.0
    return str(again.fragment_id)


def test_signing_out_ends_every_tab_and_every_copy_of_the_cookie(site: Site) -> None:
    cookie, later = site.cookie("one-safety", age_s=300.0), site.cookie("one-safety", age_s=200.0)
    with Speaker(site.at, cookie) as tab, Speaker(site.at, later) as elsewhere:
        fragment, other = _looking_again(tab.rerun("drivers")), _looking_again(elsewhere.rerun("drivers"))
        url = _file_of(tab, "drivers")
        assert url and asked(site.at, url, Cookie=cookie)[0] == 200
        assert asked(site.at, "/auth/logout", Cookie=cookie, Sec_Fetch_Site="cross-site")[0] == 403
        assert tab.rerun("drivers").holds(PLAIN.drivers[0]), "another site's link signs nobody out"
        assert asked(site.at, "/auth/logout", Cookie=cookie)[0] in (302, 303, 307)
        drawn = tab.rerun(fragment=fragment)
        again = drawn if drawn.holds(SIGN_IN_FIRST) else tab.heard()
        assert again.holds(SIGN_IN_FIRST), "the page left open is drawn anew by itself"
        assert not tab.rerun("drivers").holds(*FLEET)
        assert not elsewhere.rerun(fragment=other).holds(SIGN_IN_FIRST), "another machine's sign-in goes on"
        assert asked(site.at, url, Cookie=cookie)[0] == 403
    with Speaker(site.at, cookie) as copied:
        assert copied.rerun("drivers").holds(SIGN_IN_FIRST)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text.replace("workshop =", "nobody ="), "nobody has given you a role"),
        (lambda text: text.replace('workshop = ["planner"]', 'workshop = ["safety"]'), "safety"),
        (lambda text: text + "\nbroken", "not set up rightly"),
    ],
    ids=["removed", "another role", "a broken file lets nobody in"],
)
def test_a_changed_file_reaches_a_page_left_open(site: Site, change: object, said: str) -> None:
    whole = site.file.read_text(encoding="utf-8")
    with site.speaker("one-planner") as speaker:
        fragment = _looking_again(speaker.rerun())
        try:
            site.file.write_text(change(whole), encoding="utf-8")  # type: ignore[operator]
            drawn = speaker.rerun(fragment=fragment)
            drawn = drawn if drawn.holds(said) else speaker.heard()
        finally:
            site.file.write_text(whole, encoding="utf-8")
    assert drawn.holds(said)


# --- files -----------------------------------------------------------------------------------------------------------


def _file_of(speaker: Speaker, page: str) -> str | None:
    """The address of the first file that a page offers; it is made on asking."""
    drawn = speaker.rerun(page)
    offered = [
        message.delta.new_element.download_button
        for message in drawn.messages
        if message.WhichOneof("type") == "delta" and message.delta.new_element.WhichOneof("type") == "download_button"
    ]
    assert offered, drawn.raw[:200]
    for button in offered:
        if button.url:
            return str(button.url)
        answers = speaker.operate("deferred_file", file_id=button.deferred_file_id).of("backend_operation_response")
        return str(answers[0].deferred_file.url) if answers and answers[0].deferred_file.url else None
    return None


def test_a_file_is_for_whom_it_was_made_alone(site: Site) -> None:
    cookie = site.cookie("one-safety", age_s=900.0)
    with Speaker(site.at, cookie) as speaker:
        url = _file_of(speaker, "inspections")
        assert url and url.startswith("/media/")
        status, headers, body = asked(site.at, url, Cookie=cookie)
        assert status == 200 and body and headers["cache-control"] == "no-store"
        others = ["", *(site.cookie(person) for person in PEOPLE if person != "one-safety")]
        others += [site.cookie("one-safety", iss="https://other.example.org"), site.cookie("one-safety", groups=["x"])]
        for other in others:
            status, _, body = asked(site.at, url, Cookie=other)
            assert status == 403 and len(body) < 200
        assert asked(site.at, url, Cookie=cookie, Sec_Fetch_Site="cross-site")[0] == 403


def test_a_file_is_not_whose_page_repeats_its_address(site: Site) -> None:
    """A page repeats an unknown id out of its address: what somebody wrote there makes nothing his."""
    mine = site.cookie("one-safety", age_s=910.0)
    with Speaker(site.at, mine) as speaker:
        url = _file_of(speaker, "drivers")
        assert url and asked(site.at, url, Cookie=mine)[0] == 200
        other = site.cookie("one-planner", age_s=800.0)
        with Speaker(site.at, other) as planner:
            echoed = [planner.rerun(page, f"{page}={url}") for page in ("vehicle", "event")]
        assert any(drawn.holds(url) for drawn in echoed), "else nothing was tried"
        assert asked(site.at, url, Cookie=other)[0] == 403


def test_what_was_to_be_made_in_one_role_is_not_made_in_another(site: Site) -> None:
    """The file makes a safety manager an analyst while his page is open: what it offered named drivers."""
    whole = site.file.read_text(encoding="utf-8")
    try:
        with Speaker(site.at, site.cookie("one-safety", age_s=700.0)) as speaker:
            wanted = _later_of(speaker.rerun("drivers"))
            site.file.write_text(whole.replace('safety = ["safety"]', 'safety = ["analyst"]'), encoding="utf-8")
            late = speaker.operate("deferred_file", file_id=wanted, patience_s=2.0)
            assert not late.of("backend_operation_response")
            again = _later_of(speaker.rerun("drivers"))
            assert speaker.operate("deferred_file", file_id=again).of("backend_operation_response")
    finally:
        site.file.write_text(whole, encoding="utf-8")


def _later_of(drawn: Drawn) -> str:
    """The first file that is made once it is asked for."""
    buttons = [message.delta.new_element for message in drawn.messages]
    ids = [one.download_button.deferred_file_id for one in buttons if one.WhichOneof("type") == "download_button"]
    return next(one for one in ids if one)


def test_a_file_is_not_made_for_whoever_has_left(site: Site) -> None:
    cookie = site.cookie("one-analyst", age_s=600.0)
    with Speaker(site.at, cookie) as speaker:
        drawn = speaker.rerun()
        (first, *_) = [
            m.delta.new_element.download_button
            for m in drawn.messages
            if m.delta.new_element.WhichOneof("type") == "download_button"
        ]
        wanted = first.deferred_file_id
        assert speaker.operate("deferred_file", file_id=wanted).of("backend_operation_response")
        asked(site.at, "/auth/logout", Cookie=cookie)
        late = speaker.operate("deferred_file", file_id=wanted, patience_s=1.0)
    with site.speaker() as nobody:
        nobody.rerun()
        never = nobody.operate("deferred_file", file_id=wanted, patience_s=1.0)
    assert not late.of("backend_operation_response") and not never.of("backend_operation_response")


_SLOT = "/_stcore/upload_file/00000000-0000-0000-0000-000000000000/00000000-0000-0000-0000-000000000001"


@pytest.mark.parametrize("person", ["", "one-analyst", "one-safety", "one-planner"])
def test_what_is_brought_in_is_refused_before_it_is_read(site: Site, person: str) -> None:
    """A gigabyte is announced and nothing of it sent: the answer comes at once, from the announcement alone."""
    cookie = f"Cookie: {site.cookie(person)}" if person else "X-None: 1"
    status, _ = _raw(site, f"PUT {_SLOT} HTTP/1.1", cookie, "Content-Length: 1000000000")
    assert status == (413 if person == "one-planner" else 403)
    status, _ = _raw(site, f"PUT {_SLOT} HTTP/1.1", cookie, "Transfer-Encoding: chunked")
    assert status == (411 if person == "one-planner" else 403)
    for method, path in (("POST", "/"), ("PUT", "/vehicle"), ("POST", _SLOT), ("PUT", "/media/x")):
        assert _raw(site, f"{method} {path} HTTP/1.1", cookie, "Content-Length: 1000000000")[0] in (404, 405)


def test_a_planner_brings_a_sheet_in_with_the_pages_token_only(site: Site) -> None:
    part = b'--b\r\nContent-Disposition: form-data; name="f"; filename="f.csv"\r\n\r\na,b\r\n--b--\r\n'
    kind = "multipart/form-data; boundary=b"
    cookie = site.cookie("one-planner")
    assert asked(site.at, _SLOT, method="PUT", body=part, Content_Type=kind, Cookie=cookie)[0] == 403
    _, headers, _ = asked(site.at, "/_stcore/health")
    token = headers["set-cookie"].partition("=")[2].partition(";")[0]
    both = {"Cookie": f"{cookie}; _streamlit_xsrf={token}", "X_Xsrftoken": token, "Content_Type": kind}
    assert asked(site.at, _SLOT, method="PUT", body=part, **both)[0] == 400, "no page of his is open there"


# --- load ------------------------------------------------------------------------------------------------------------

_ABSURD = ["x" * 10_000, "9999-99-99%00\x00' OR 1=1 --"]


def test_absurd_addresses_are_answered_or_refused(site: Site) -> None:
    assert asked(site.at, "/vehicle?" + "x=" + "a" * 20_000)[0] == 414
    assert _raw(site, "GET /?" + "a" * 1_000_000 + " HTTP/1.1")[0] in (400, 414, 431, 599)
    assert _raw(site, "GET / HTTP/1.1", *(f"X-{n}: {'a' * 1_000}" for n in range(200)))[0] in (400, 431)
    names = "vehicle event driver depot category month units compared figure raw status soon board list page day"
    with site.speaker("one-admin") as speaker:
        for page in PAGES:
            query = "&".join(f"{name}={_ABSURD[place % 2]}" for place, name in enumerate(names.split()))
            drawn = speaker.rerun(page, query)
            assert drawn.messages[-1].WhichOneof("type") == "script_finished", page
            assert len(drawn.raw) < 2_000_000, page
        assert speaker.rerun().holds(PLAIN.vehicles[0])


def test_slow_and_silent_clients_hold_up_nobody(site: Site) -> None:
    port = int(site.at.rpartition(":")[2])
    silent = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(50)]
    try:
        for one in silent:
            one.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        assert asked(site.at, "/")[0] == 200
        with site.speaker("one-planner") as speaker:
            assert speaker.rerun().holds(PLAIN.vehicles[0])
    finally:
        for one in silent:
            one.close()


def test_requests_and_messages_at_random(site: Site) -> None:
    """The short form of what ``long_form.py doors`` does by thousands."""
    for tally in (doors_trials.requests(site.at, 20261, 300), doors_trials.messages(site.at, site.store, 20261, 30)):
        assert tally.trials >= 30 and not tally.failures, "\n".join(tally.failures)


def test_all_that_left_nothing_secret_and_no_traceback_in_the_log(site: Site) -> None:
    log = site.log.read_text(encoding="utf-8")
    assert "Pages at" in log
    secrets = (COOKIE_SECRET, CLIENT_SECRET, site.cookie("one-admin")[20:60])
    assert not [word for word in secrets if word in log]
    assert "Traceback" not in log, log[-3000:]
    port = site.at.rpartition(":")[2]
    ours = [line for line in _command_lines() if f"--server.port={port}" in line]
    assert ours or not Path("/proc/self").exists(), "its own is among all that anybody may list"
    assert not [word for word in secrets for line in ours if word in line]


def _command_lines() -> Iterator[str]:
    """Of all processes, as everybody on the machine may read them; some end meanwhile."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            yield path.read_bytes().decode("utf-8", "replace")


def test_too_long_ago_is_said(site: Site) -> None:
    with Speaker(site.at, site.cookie("one-planner", age_s=LONGEST_HOURS * 3600 + 60)) as speaker:
        assert speaker.rerun().holds(TOO_LONG_AGO.partition(".")[0])
