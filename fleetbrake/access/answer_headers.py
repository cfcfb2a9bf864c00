"""What goes with every answer: what a browser may do with it, and which way cookies may travel."""

import re
from typing import Final

Headers = list[tuple[bytes, bytes]]

#: Nothing from elsewhere, to nowhere else, in nobody's frame. The framework's scripts need inline styles, charts
#: compile their expressions (`unsafe-eval`) and draw in workers. Content Security Policy Level 3, from memory.
_POLICY: Final = (
    "default-src 'none'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; media-src 'self' blob:; worker-src 'self' blob:; "
    "manifest-src 'self'; connect-src 'self'{sockets}; frame-src 'none'; object-src 'none'; base-uri 'self'; "
    "form-action 'self'; frame-ancestors 'none'"
)
_MAX_AGE: Final = re.compile(rb"(?i)(;\s*max-age=)(\d+)")
_SECURE: Final = re.compile(rb"(?i);\s*secure(?=\s*(?:;|$))")
_EXPIRES: Final = re.compile(rb"(?i);\s*expires=[^;]*")


def dressed(headers: Headers, origin: str, *, longest_s: int, keep_nothing: bool) -> Headers:
    """The answer's headers with ours.

    Parameters
    ----------
    origin : under which people reach the pages; with https, cookies never travel openly.
    longest_s : how long a cookie may last (s).
    keep_nothing : the answer is for this person now, and for no cache.
    """
    https = origin.startswith("https://")
    kept = [
        (name, _cookie(value, https, longest_s) if name.lower() == b"set-cookie" else value)
        for name, value in headers
        if not (keep_nothing and name.lower() == b"cache-control")
    ]
    return kept + safety_headers(origin, keep_nothing=keep_nothing)


def safety_headers(origin: str, *, keep_nothing: bool) -> Headers:
    """Ours alone."""
    sockets = f" {origin.replace('http', 'ws', 1)}" if origin else ""
    ours = {
        b"content-security-policy": _POLICY.format(sockets=sockets).encode("latin-1", "ignore"),
        b"x-content-type-options": b"nosniff",
        b"x-frame-options": b"DENY",
        b"referrer-policy": b"same-origin",
        b"cross-origin-resource-policy": b"same-origin",
        **({b"cache-control": b"no-store"} if keep_nothing else {}),
    }
    return list(ours.items())


def _cookie(value: bytes, https: bool, longest_s: int) -> bytes:
    """The cookie with no longer life than a sign-in has, and over https alone where the pages are reached so."""
    told = _MAX_AGE.search(value)
    if told and int(told.group(2)) > longest_s:
        value = _EXPIRES.sub(b"", _MAX_AGE.sub(rb"\g<1>" + str(longest_s).encode(), value))
    return value + b"; Secure" if https and not _SECURE.search(value) else value
