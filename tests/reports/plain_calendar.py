"""A strict little reader of iCalendar: it takes nothing that RFC 5545 does not allow.

Rules from RFC 5545: 3.1 (lines end in CRLF, at most 75 octets, folded by CRLF and one blank; no control characters but
the tab), 3.3.11 (escapes of TEXT are ``\\\\``, ``\\;``, ``\\,``, ``\\n``), 3.3.4 and 3.3.5 (forms of date and time),
3.4 and 3.6 (required properties). Verified (secondary): the grammar as quoted in public sources.
"""

import re
from datetime import date, datetime

_LINE = re.compile(r"([A-Z0-9-]+)((?:;[A-Z0-9-]+=[^;:,\"\x00-\x08\x0a-\x1f\x7f]*)*):(.*)", re.DOTALL)
_CONTROL = re.compile("[\x00-\x08\x0a-\x1f\x7f]")
_ONCE = {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "LOCATION", "STATUS", "TRANSP", "SEQUENCE"}
_STATUS = {"TENTATIVE", "CONFIRMED", "CANCELLED"}


def content_lines(content: bytes) -> list[str]:
    """Unfolded lines; AssertionError for what no line may be."""
    assert content.endswith(b"\r\n")
    raw = content[:-2].split(b"\r\n")
    assert all(len(line) <= 75 for line in raw), "a line longer than 75 octets"
    # each folded piece must be text of its own: no letter is cut in two
    pieces = [line.decode("utf-8") for line in raw]
    assert not any(_CONTROL.search(piece) for piece in pieces), "a control character, or a bare CR or LF"
    lines: list[str] = []
    for piece in pieces:
        if piece.startswith((" ", "\t")):
            assert lines, "a continuation without a line"
            lines[-1] += piece[1:]
        else:
            assert piece, "an empty line"
            lines.append(piece)
    return lines


def text(value: str) -> str:
    """TEXT without its escapes; AssertionError for a bare separator or an unknown escape."""
    out, at = "", 0
    while at < len(value):
        if value[at] == "\\":
            assert value[at + 1 : at + 2] in ("\\", ";", ",", "n", "N"), value[at : at + 2]
            out += "\n" if value[at + 1] in "nN" else value[at + 1]
            at += 2
        else:
            assert value[at] not in ";,", value
            out += value[at]
            at += 1
    return out


def events(content: bytes) -> list[dict[str, str]]:
    """Properties of every VEVENT, values as written; AssertionError where the object breaks a rule."""
    lines = [_LINE.fullmatch(line) for line in content_lines(content)]
    assert all(lines)
    named = [(m[1], m[2], m[3]) for m in lines if m]
    assert named[0][::2] == ("BEGIN", "VCALENDAR") and named[-1][::2] == ("END", "VCALENDAR")
    found: list[dict[str, str]] = []
    own: list[str] = []
    inside: dict[str, str] | None = None
    for name, parameters, value in named[1:-1]:
        if name == "BEGIN":
            assert value == "VEVENT" and inside is None
            inside = {}
        elif name == "END":
            assert value == "VEVENT" and inside is not None
            _check_event(inside)
            found.append(inside)
            inside = None
        elif inside is None:
            assert not found, "a property of the calendar behind its first entry"
            own.append(name)
        else:
            assert name not in inside or name not in _ONCE, f"{name} twice"
            inside[name + parameters] = value
    assert inside is None and own.count("PRODID") == 1 and own.count("VERSION") == 1
    uids = [event["UID"] for event in found]
    assert len(set(uids)) == len(uids), "the same entry twice"
    return found


def _check_event(event: dict[str, str]) -> None:
    assert re.fullmatch(r"\d{8}T\d{6}Z", event["DTSTAMP"]) and event["UID"]
    datetime.strptime(event["DTSTAMP"], "%Y%m%dT%H%M%SZ")
    assert day(event["DTEND;VALUE=DATE"]) > day(event["DTSTART;VALUE=DATE"])
    assert event["STATUS"] in _STATUS and event["TRANSP"] in ("OPAQUE", "TRANSPARENT")
    assert re.fullmatch(r"\d+", event["SEQUENCE"])
    for name in ("SUMMARY", "DESCRIPTION", "LOCATION"):
        text(event.get(name, ""))


def day(value: str) -> date:
    """A DATE."""
    assert re.fullmatch(r"\d{8}", value)
    return datetime.strptime(value, "%Y%m%d").date()
