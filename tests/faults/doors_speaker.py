"""Speaks the pages' web socket without a browser: whatever a browser could be made to send, and what it never would."""

import json
import re
import time
import urllib.error
import urllib.request
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

#: A page of the small store is drawn in a second; a shared machine takes longer (s).
PATIENCE_S = 60.0
_WIDGETS = re.compile(rb"\$\$ID-[0-9a-f]{32}-[\w.-]+")
COOKIE_SECRET = "Zm9yLXRlc3RzLW9ubHktMDEyMzQ1Njc4OWFi"
CLIENT_SECRET = "hushed-client-secret"
#: Person (subject) -> what the provider says besides. All of them are invented.
PEOPLE: dict[str, dict[str, Any]] = {
    "one-planner": {"groups": ["workshop"]},
    "one-safety": {"groups": ["safety"]},
    "other-safety": {"groups": ["safety"]},
    "one-analyst": {"groups": ["office"]},
    "one-admin": {"groups": ["admins"]},
    "one-stranger": {"groups": ["canteen"]},
}


def write_sign_in(path: Path) -> Path:
    """The file for these people; ``{port}`` is left to the product. The provider is never asked for anything."""
    path.write_text(
        f"""
        [auth]
        redirect_uri = "http://127.0.0.1:{{port}}/oauth2callback"
        cookie_secret = "{COOKIE_SECRET}"
        client_id = "fleetbrake-test"
        client_secret = "{CLIENT_SECRET}"
        server_metadata_url = "http://127.0.0.1:1/.well-known/openid-configuration"
        [roles]
        claim = "groups"
        [roles.by_claim]
        workshop = ["planner"]
        safety = ["safety"]
        office = ["analyst"]
        admins = ["admin"]
        """,
        encoding="utf-8",
    )
    path.chmod(0o600)
    return path


def signed_cookie(address: str, person: str, age_s: float = 60.0, secret: str = COOKIE_SECRET, **told: Any) -> str:
    """The cookie that the framework sets once the provider has let somebody in."""
    claims = {
        "iss": "http://127.0.0.1:1", "sub": person, "iat": int(time.time() - age_s), "origin": address,
        "is_logged_in": True, "provider": "default", **PEOPLE.get(person, {}), **told,
    }  # fmt: skip
    return "_streamlit_user=" + create_signed_value(secret, "_streamlit_user", json.dumps(claims)).decode()


def asked(
    address: str, path: str, *, method: str = "GET", body: bytes | None = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of an answer; names of headers with ``_`` for ``-``. No redirect is followed."""
    request = urllib.request.Request(address + path, data=body, method=method)
    for name, value in headers.items():
        request.add_header(name.replace("_", "-"), value)
    try:
        with _OPENER.open(request, timeout=PATIENCE_S) as answer:
            return answer.status, dict(answer.headers.items()), answer.read()
    except urllib.error.HTTPError as error:
        return error.code, dict(error.headers.items()), error.read()


def page_token(address: str) -> str:
    """What a page of ours, and no other, can read: it goes with what is brought in, and with a web socket."""
    _, told, _ = asked(address, "/_stcore/health")
    cookie = next(value for name, value in told.items() if name.lower() == "set-cookie")
    return cookie.partition("=")[2].partition(";")[0]


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: Any) -> None:
        return None


_OPENER = urllib.request.build_opener(_NoRedirect, urllib.request.ProxyHandler({}))


@dataclass
class Drawn:
    """What the server sent until it was done with one request."""

    raw: bytes = b""
    messages: list[ForwardMsg] = field(default_factory=list)

    def of(self, kind: str) -> list[Any]:
        return [getattr(message, kind) for message in self.messages if message.WhichOneof("type") == kind]

    def holds(self, *words: str) -> list[str]:
        return [word for word in words if word.encode() in self.raw]

    @property
    def pages(self) -> dict[str, str]:
        """Address of a page -> its script's name inside the framework, as the navigation tells them."""
        return {page.url_pathname: page.page_script_hash for nav in self.of("navigation") for page in nav.app_pages}

    @property
    def later(self) -> list[str]:
        """Ids of the files that are made once they are asked for."""
        return [one.deferred_file_id for one in self._downloads if one.deferred_file_id]

    @property
    def files(self) -> list[str]:
        """Addresses of the files that are there, and of those that were made on asking."""
        made = [one.deferred_file.url for one in self.of("backend_operation_response")]
        return [url for url in (*(one.url for one in self._downloads), *made) if url]

    @property
    def _downloads(self) -> list[Any]:
        parts = [delta.new_element for delta in self.of("delta")]
        return [part.download_button for part in parts if part.WhichOneof("type") == "download_button"]

    @property
    def widgets(self) -> list[str]:
        """The framework's names of all that can be pressed or chosen."""
        return sorted(found.decode() for found in set(_WIDGETS.findall(self.raw)))


class Speaker:
    """One open web socket; ``goes_on``: the session of an older one that a browser would go on with."""

    def __init__(
        self, address: str, cookie: str = "", *, token: bool = True, goes_on: str = "", **headers: str
    ) -> None:
        xsrf = page_token(address) if token else ""
        cookies = "; ".join(part for part in (cookie, f"_streamlit_xsrf={xsrf}" if xsrf else "") if part)
        told_headers = {"Cookie": cookies} | {name.replace("_", "-"): value for name, value in headers.items()}
        self._opened = connect(
            address.replace("http", "ws", 1) + "/_stcore/stream",
            origin=told_headers.pop("Origin", address),  # type: ignore[arg-type]
            additional_headers=told_headers,
            subprotocols=["streamlit", *([xsrf] if xsrf else []), *([goes_on] if goes_on else [])],  # type: ignore[list-item]
            max_size=None,
            open_timeout=PATIENCE_S,
            close_timeout=2.0,  # a server that hears no more than its pace does not hear the end either
            proxy=None,
        )
        self._socket = self._opened.__enter__()
        self.session = ""
        self.closed = False

    def __enter__(self) -> "Speaker":
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        self._opened.__exit__(None, None, None)

    def say(self, message: BackMsg | bytes | str) -> None:
        """Send a message; that the other end is gone shows in what is heard."""
        try:
            self._socket.send(message.SerializeToString() if isinstance(message, BackMsg) else message)
        except ConnectionClosed:
            self.closed = True

    def ask(self, kind: str, **given: str) -> None:
        """Ask for something beside the pages, in this session's name, and wait for nothing."""
        message = BackMsg()
        asked_for = message.backend_operation_request
        asked_for.request_id, asked_for.session_id = "r", self.session
        payload = getattr(asked_for, kind)
        payload.SetInParent()
        for name, value in given.items():
            setattr(payload, name, value)
        self.say(message)

    def operate(self, kind: str, patience_s: float = PATIENCE_S, **given: str) -> Drawn:
        """As :meth:`ask`; what comes until its answer."""
        self.ask(kind, **given)
        return self.heard("backend_operation_response", patience_s)

    def rerun(
        self, page: str = "", query: str = "", *, script: str = "", fragment: str = "", states: Iterable[Any] = ()
    ) -> Drawn:
        """Have a page drawn, by its address or by its script's name, and gather what comes."""
        message = BackMsg()
        message.rerun_script.query_string = query
        message.rerun_script.page_name = page
        message.rerun_script.page_script_hash = script
        message.rerun_script.fragment_id = fragment
        for state in states:
            message.rerun_script.widget_states.widgets.add().CopyFrom(state)
        self.say(message)
        return self.heard()

    def heard(self, until: str = "script_finished", patience_s: float = PATIENCE_S) -> Drawn:
        """What comes until a message of this kind, or until nothing comes any more."""
        drawn, end = Drawn(), time.monotonic() + patience_s
        while time.monotonic() < end:
            try:
                said = self._socket.recv(timeout=max(end - time.monotonic(), 0.01))
            except TimeoutError:
                break
            except ConnectionClosed:
                self.closed = True
                break
            assert isinstance(said, bytes)
            drawn.raw += said
            drawn.messages.append(ForwardMsg.FromString(said))
            for begun in drawn.of("new_session")[-1:]:
                self.session = begun.initialize.session_id or self.session
            if drawn.messages[-1].WhichOneof("type") == until and not self._draws_again(drawn):
                break
        return drawn

    @staticmethod
    def _draws_again(drawn: Drawn) -> bool:
        """A run that was ended early in favour of another (``script_finished``: 0, 1 and 2 end it, 3 goes on)."""
        return drawn.messages[-1].script_finished == ForwardMsg.FINISHED_EARLY_FOR_RERUN
