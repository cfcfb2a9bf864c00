"""Which addresses the pages' server answers, and how, tried on a real one by programs that keep to no rules."""

import contextlib
import json
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from builders import PLAIN
from faults import doors_trials
from faults.doors_site import FLEET, Site, nothing_secret_in_the_log, raw, secrets
from faults.doors_speaker import asked

from fleetbrake.access.addresses import Sort, way_to
from fleetbrake.access.roles import PAGES


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
    "/%ef%bc%8f_stcore%ef%bc%8fmetrics", "/static%2f..%2fapp.py", "/_stcore/metrics%3f", "/_stcore/metrics%23x",
    "http://127.0.0.1/_stcore/metrics", "http://evil.example.org/_stcore/metrics", "/_STCORE/metrics", "/media",
    "/_stcore/metrics?families=session_events", "/~/+/_stcore/metrics", "/vehicle/_stcore/metrics", "*",
]  # fmt: skip


@pytest.mark.parametrize("person", ["", "one-admin"])
def test_tricks_with_paths_lead_nowhere(site: Site, person: str) -> None:
    """Sent as they stand, since clients tidy paths up. What has the shape of a page's name is the empty frame."""
    frame = asked(site.at, "/")[2]
    cookie = f"Cookie: {site.cookie(person)}" if person else "X-None: 1"
    for path in _TRICKS:
        status, _, body = raw(site.port, f"GET {path} HTTP/1.1", cookie)
        assert status >= 400 or body.endswith(frame), path
        assert not [word for word in FLEET if word.encode() in body], path
        assert b"def " not in body and b"# TYPE" not in body, path


@pytest.mark.parametrize(
    "host", ["evil.example.org", "127.0.0.1.example.org", "localhost", "x@127.0.0.1", "", "[::1", "127.0.0.1:no"]
)
def test_under_another_name_nothing_is_served(site: Site, host: str) -> None:
    for path in ("/", "/vehicle", "/auth/login", "/_stcore/host-config"):
        status, _, body = raw(site.port, f"GET {path} HTTP/1.1", f"Host: {host}", f"Cookie: {site.cookie('one-admin')}")
        assert status in (400, 421) and len(body) < 200, (host, path)


# --- load ------------------------------------------------------------------------------------------------------------

_ABSURD = ["x" * 10_000, "9999-99-99%00\x00' OR 1=1 --"]


def test_absurd_addresses_are_answered_or_refused(site: Site) -> None:
    assert asked(site.at, "/vehicle?" + "x=" + "a" * 20_000)[0] == 414
    assert raw(site.port, "GET /?" + "a" * 1_000_000 + " HTTP/1.1")[0] in (400, 414, 431, 599)
    assert raw(site.port, "GET / HTTP/1.1", *(f"X-{n}: {'a' * 1_000}" for n in range(200)))[0] in (400, 431)
    names = "vehicle event driver depot category month units compared figure raw status soon board list page day"
    with site.speaker("one-admin") as speaker:
        for page in PAGES:
            query = "&".join(f"{name}={_ABSURD[place % 2]}" for place, name in enumerate(names.split()))
            drawn = speaker.rerun(page, query)
            assert drawn.messages[-1].WhichOneof("type") == "script_finished", page
            assert len(drawn.raw) < 2_000_000, page
        assert speaker.rerun().holds(PLAIN.vehicles[0])


def test_slow_and_silent_clients_hold_up_nobody(site: Site) -> None:
    silent = [socket.create_connection(("127.0.0.1", site.port), timeout=10) for _ in range(50)]
    try:
        for one in silent:
            one.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        assert asked(site.at, "/")[0] == 200
        with site.speaker("one-planner") as speaker:
            assert speaker.rerun().holds(PLAIN.vehicles[0])
    finally:
        for one in silent:
            one.close()


def test_requests_at_random(site: Site) -> None:
    """The short form of what ``long_form.py doors`` does by thousands."""
    tally = doors_trials.requests(site, 20261, 300)
    assert tally.trials == 300 and not tally.failures, "\n".join(tally.failures[:20])
    assert {"200", "403", "404", "405", "421"} <= set(tally.parts), "else too little was tried"


def test_all_that_left_nothing_secret_behind(site: Site) -> None:
    nothing_secret_in_the_log(site)
    ours = [line for line in _command_lines() if f"--server.port={site.port}" in line]
    assert ours or not Path("/proc/self").exists(), "its own is among all that anybody may list"
    assert not [word for word in secrets(site) for line in ours if word in line]


def _command_lines() -> Iterator[str]:
    """Of all processes, as everybody on the machine may read them; some end meanwhile."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            yield path.read_bytes().decode("utf-8", "replace")
