"""Which addresses the pages' server answers at all, and how. Whatever is not listed here is refused."""

import re
from dataclasses import dataclass
from enum import Enum, auto
from typing import Final
from urllib.parse import unquote_plus

from fleetbrake.access.roles import PAGES

#: Longest path and longest query of an address (bytes). Own choice: a page's choices take some hundred bytes, what a
#: provider sends back after signing in some thousand.
LONGEST_PATH: Final = 1_000
LONGEST_QUERY: Final = 16_000
#: Longest query of a sign-in (bytes): the server writes parts of it into its log. Own choice, a code takes hundreds.
LONGEST_SIGN_IN: Final = 4_000

#: What a provider answers where somebody is not let in: RFC 6749 section 4.1.2.1 and OpenID Connect Core 1.0 section
#: 3.1.2.6 (both from memory); its explanation is free text.
SIGN_IN_ERRORS: Final = frozenset(
    (
        "invalid_request", "unauthorized_client", "access_denied", "unsupported_response_type", "invalid_scope",
        "server_error", "temporarily_unavailable", "interaction_required", "login_required",
        "account_selection_required", "consent_required", "invalid_request_uri", "invalid_request_object",
        "request_not_supported", "request_uri_not_supported", "registration_not_supported",
    )
)  # fmt: skip
_EXPLAINS: Final = frozenset({"error_description", "error_uri"})

#: What may be brought in at once (bytes): a findings sheet, with what a browser wraps around a file.
LARGEST_UPLOAD: Final = 2_200_000


class Sort(Enum):
    """What an address leads to."""

    FRAME = auto()  # the empty frame of the pages; what it shows comes through STREAM
    ASSET = auto()  # the frame's scripts, fonts and pictures: the same in every installation
    LIFE = auto()  # whether the server is up, and which pages may hold the frame
    SIGN_IN = auto()
    SIGN_OUT = auto()
    DOWNLOAD = auto()
    UPLOAD = auto()
    STREAM = auto()  # the web socket that pages are drawn through


@dataclass(frozen=True)
class Way:
    """An address and how it may be asked."""

    sort: Sort
    methods: frozenset[str]


_LOOK: Final = frozenset({"GET", "HEAD"})
_ASK: Final = frozenset({"GET"})
_BRING: Final = frozenset({"PUT", "DELETE"})

#: Pages have one name, without a point: other names are files. Those that are not there are told by the pages.
_PAGE: Final = re.compile(r"/[A-Za-z0-9_-]{0,64}")
_ASSET: Final = re.compile(r"/static/(?:[A-Za-z0-9_-]+/)*[A-Za-z0-9_-][A-Za-z0-9_.-]*")
_DOWNLOAD: Final = re.compile(r"/media/([0-9a-f]{32,64})(?:\.[a-z0-9]{1,8})?")
_UPLOAD: Final = re.compile(r"/_stcore/upload_file/([0-9a-f-]{36})/([A-Za-z0-9-]{1,64})")

_EXACT: Final[dict[str, Way]] = {
    "/": Way(Sort.FRAME, _LOOK),
    "/favicon.png": Way(Sort.ASSET, _LOOK),
    "/manifest.json": Way(Sort.ASSET, _LOOK),
    "/_stcore/health": Way(Sort.LIFE, _LOOK),
    "/_stcore/host-config": Way(Sort.LIFE, _ASK),
    "/_stcore/stream": Way(Sort.STREAM, _ASK),
    "/auth/login": Way(Sort.SIGN_IN, _ASK),
    "/oauth2callback": Way(Sort.SIGN_IN, _ASK),
    "/auth/logout": Way(Sort.SIGN_OUT, _ASK),
    **{f"/{page}": Way(Sort.FRAME, _LOOK) for page in PAGES},
}
_SHAPED: Final = (
    (_ASSET, Way(Sort.ASSET, _LOOK)),
    (_DOWNLOAD, Way(Sort.DOWNLOAD, _LOOK)),
    (_UPLOAD, Way(Sort.UPLOAD, _BRING)),
    (_PAGE, Way(Sort.FRAME, _LOOK)),
)


def way_to(path: str) -> Way | None:
    """What a decoded path leads to; None where nothing is answered."""
    exact = _EXACT.get(path)
    if exact is not None:
        return exact
    return next((way for shape, way in _SHAPED if shape.fullmatch(path)), None)


def told_at_sign_in(query: bytes) -> bytes | None:
    """What a sign-in brings, without what its errors are explained with; None where it is to be refused.

    The framework writes the error and its explanation into the log, and whoever stands before the door may send them:
    errors are those of the standards, and nothing steers a terminal or turns the direction of writing.
    """
    if len(query) > LONGEST_SIGN_IN or not unquote_plus(query.decode("latin-1")).isprintable():
        return None
    kept = []
    for part in query.split(b"&"):
        name, _, value = (unquote_plus(one) for one in part.decode("latin-1").partition("="))
        if name == "error" and value not in SIGN_IN_ERRORS:
            return None
        if name not in _EXPLAINS:
            kept.append(part)
    return b"&".join(kept)


def download_of(path: str) -> str | None:
    """The name of a file kept for download, without its ending, where the path leads to one."""
    found = _DOWNLOAD.fullmatch(path)
    return found.group(1) if found else None


def session_of(path: str) -> str:
    """The open page that a file is brought in for; empty where the path leads to no such place."""
    found = _UPLOAD.fullmatch(path)
    return found.group(1) if found else ""


def file_of(path: str) -> str:
    """The file that is brought in there; empty where the path leads to no such place."""
    found = _UPLOAD.fullmatch(path)
    return found.group(2) if found else ""
