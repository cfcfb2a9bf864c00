"""Requests and messages drawn at random, by people who may see nothing or little: counted, each to be made again.

What must hold of every one: the answer is the one that the table of addresses owes to whoever asks, a file goes to
whom it was made for alone, nothing of the fleet goes to whoever is not let in, no driver's name to whoever may not read
it, what was offered in one role is not given in another, nothing is entered by whoever may only look, and the server
goes on.
"""

import random
import time
from dataclasses import dataclass
from typing import Final
from urllib.parse import unquote

from faults.doors_messages import messages
from faults.doors_site import FLEET, Site, opened, raw
from faults.doors_speaker import Speaker, asked
from faults.tally import LongForm, Tally

from fleetbrake.access.addresses import Sort, Way, way_to
from fleetbrake.access.roles import PAGES

__all__ = ["LONG", "messages", "requests", "trials"]

_VERBS: Final = ("GET", "GET", "GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "get", "G E T")
_PARTS: Final = (
    *PAGES, "_stcore", "stream", "health", "metrics", "host-config", "upload_file", "media", "static", "component",
    "auth", "login", "logout", "oauth2callback", "agent", "mcp", "..", ".", "", "%2e%2e", "%00", ";", "\\", "app", "js",
    "0" * 32, "bidi-components", "seat.py", "fleet.duckdb", "entered.sqlite", "%5c", "%2f", "%6detrics",
)  # fmt: skip
#: Addresses that the framework answers, and spellings of them that a server may tidy up.
_WHOLE: Final = (
    "/", "/_stcore/health", "/_stcore/host-config", "/_stcore/metrics", "/_stcore/stream", "/auth/logout",
    "/_stcore/agent/mcp", "/_stcore/script-health-check", "/_stcore/%6detrics", "/_stcore//metrics", "/favicon.png",
    "/_stcore/upload_file/00000000-0000-0000-0000-000000000000/1", "/_stcore/bidi-components/x/y",
)  # fmt: skip
_HEADERS: Final = (
    "Origin: https://evil.example.org", "Origin: null", "X-Forwarded-For: 127.0.0.1", "X-Forwarded-Host: 127.0.0.1",
    "Forwarded: for=127.0.0.1", "X-Real-IP: 127.0.0.1", "Upgrade: websocket", "X-Original-URL: /_stcore/metrics",
    "Accept: application/x-protobuf", "X-HTTP-Method-Override: PUT", "X-Xsrftoken: x", "If-None-Match: *",
    "Sec-WebSocket-Protocol: streamlit, x, y", "Authorization: Basic YWRtaW46YWRtaW4=", "X-User: one-admin",
)  # fmt: skip
_ELSEWHERE: Final = "Sec-Fetch-Site: cross-site"
#: Who asks: nobody, whom the planted file was made for, and others who are let in.
_PEOPLE: Final = ("", "", "", "one-safety", "one-planner", "one-analyst", "one-stranger")


@dataclass(frozen=True)
class _Planted:
    """A file that was made for one person, and what the server gives to everybody."""

    url: str
    body: bytes
    frame: bytes


@dataclass(frozen=True)
class _Asked:
    verb: str
    path: str
    host: str
    person: str
    lines: tuple[str, ...]


def requests(site: Site, seed: int, number: int) -> Tally:
    """Requests with verbs, paths, names, cookies and headers drawn from what is there and what is not."""
    tally = Tally("requests drawn at random")
    since = dict.fromkeys(_PEOPLE, int(time.time()) - 50)
    # his page stays open: the file is kept as long as it is
    with tally.timed(), site.speaker("one-safety", iat=since["one-safety"]) as speaker:
        planted = _plant(site, speaker)
        for trial in range(number):
            one = _drawn(random.Random(f"{seed}/{trial}"), site, planted)
            cookie = [f"Cookie: {site.cookie(one.person, iat=since[one.person])}"] if one.person else []
            status, head, body = raw(
                site.port, f"{one.verb} {one.path} HTTP/1.1", f"Host: {one.host}", *one.lines, *cookie
            )
            if one.path == "/auth/logout" and status == 302:
                since[one.person] -= 1  # who has left signs in again, and that is another sign-in
            wrong = _wrong(site, one, planted, (status, head, body))
            tally.add(str(status), f"seed {seed}, request {trial}: {one} gives {status}: {wrong}" if wrong else None)
        if asked(site.at, "/_stcore/health")[0] != 200:
            tally.failures.append(f"seed {seed}: the server does not answer any more")
    return tally


def _plant(site: Site, speaker: Speaker) -> _Planted:
    """The sheet of a driver, made for the one who sees names."""
    drawn = speaker.rerun("drivers")
    (url,) = speaker.operate("deferred_file", file_id=drawn.later[0]).files
    status, _, body = asked(site.at, url, Cookie=site.cookie("one-safety", age_s=50.0))
    assert status == 200 and len(body) > 1_000, "else nothing was planted"
    return _Planted(url, body, asked(site.at, "/")[2])


def _drawn(draw: random.Random, site: Site, planted: _Planted) -> _Asked:
    built = "/" + draw.choice(["/", "/", "/", "//", ";"]).join(draw.choices(_PARTS, k=draw.randint(0, 4)))
    path = draw.choice([built, built, draw.choice(_WHOLE), planted.url])
    ours = f"127.0.0.1:{site.port}"
    lines = draw.sample(_HEADERS, draw.randint(0, 4)) + [_ELSEWHERE] * (draw.random() < 0.15)
    return _Asked(
        draw.choice(_VERBS), path, draw.choice((ours, ours, ours, "evil", "")), draw.choice(_PEOPLE), tuple(lines)
    )


def _wrong(site: Site, one: _Asked, planted: _Planted, answer: tuple[int, bytes, bytes]) -> str:
    """What went against what must hold; empty if nothing did."""
    status, head, body = answer
    way, due = way_to(unquote(one.path)), _due(site, one, planted)
    given = status == 200 and one.verb == "GET" and way is not None
    of_sort = way.sort if way is not None and given else None
    wrongs = (
        (status not in due, f"{sorted(due)} was owed"),
        (of_sort is Sort.DOWNLOAD and body != planted.body, "the file is another one"),
        (of_sort is Sort.FRAME and body != planted.frame, "the frame is another one"),
        (of_sort is not Sort.DOWNLOAD and planted.body[:500] in body, "the file was given"),
        (of_sort is not Sort.DOWNLOAD and any(word.encode() in head + body for word in FLEET), "it tells of the fleet"),
        (status >= 400 and way is not None and way.sort is not Sort.SIGN_IN and len(body) > 300, "it tells too much"),
    )
    return "; ".join(said for is_wrong, said in wrongs if is_wrong)


def _due(site: Site, one: _Asked, planted: _Planted) -> set[int]:
    """The answers that are owed: from the table of addresses, and who asks under which name."""
    way = way_to(unquote(one.path))
    twice = len([line for line in one.lines if line.startswith("Origin:")]) > 1
    elsewhere = _ELSEWHERE in one.lines
    rules = (
        (twice or not one.verb.isalpha(), 400),
        (way is None, 404),
        (way is not None and one.verb not in way.methods, 405),
        (one.path == "/_stcore/health", 200),
        (way is not None and way.sort is Sort.STREAM, 404),
        (one.host != f"127.0.0.1:{site.port}", 421),
        (elsewhere and way is not None and way.sort in (Sort.SIGN_OUT, Sort.DOWNLOAD, Sort.UPLOAD), 403),
    )
    due = next((status for holds, status in rules if holds), None)
    return _granted(one, way, planted) if due is None and way is not None else {due or 404}


def _granted(one: _Asked, way: Way, planted: _Planted) -> set[int]:
    """What an address gives that is asked rightly."""
    match way.sort:
        case Sort.DOWNLOAD:
            return {200} if one.person == "one-safety" and one.path == planted.url else {403}
        case Sort.UPLOAD:
            return {403, 411} if one.person == "one-planner" else {403}  # without a size, or for no page of his
        case Sort.ASSET:
            return {200, 304, 404}  # whether a file of that name is there
        case Sort.SIGN_IN:
            return {302, 400, 500}  # the provider is never there
        case Sort.SIGN_OUT:
            return {302}
        case _:
            return {200, 304}


def trials(seed: int, requests_made: int, messages_sent: int) -> list[Tally]:
    """Both kinds, each before a server of its own."""
    with opened() as site:
        tallies = [requests(site, seed, requests_made)]
    with opened() as site:
        return [*tallies, messages(site, seed, messages_sent)]


def _long(seed: int, _minutes: float) -> list[Tally]:
    return trials(seed, 10_000, 3_000)


LONG: LongForm = _long
