"""What the gate has to be told of the framework: whose cookie it is, and what a message of a browser asks for."""

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from sign_in import caller_of, settings, sign_in_named
from streamlit import config
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ClientState_pb2 import ClientState
from streamlit.proto.Element_pb2 import Element
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.runtime import Runtime
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME
from streamlit.web.server.starlette.starlette_websocket import (
    _get_signed_cookie_with_chunks,
    _parse_decoded_user_cookie,
)

from fleetbrake.access.addresses import LONGEST_QUERY
from fleetbrake.access.brought_in import MOST_KEPT
from fleetbrake.access.caller import Caller, local_caller
from fleetbrake.access.ended import ENDED
from fleetbrake.access.keeper import Brought, page_name
from fleetbrake.access.loopback import is_loopback
from fleetbrake.access.serving import shown_address

#: What anybody may ask for: to have the page drawn, or that it is not. The framework answers to more, for whoever
#: develops pages: what its folder's version control says, emptying what is kept for all, writing files.
_ANYBODY = frozenset({"rerun_script", "stop_script", "app_heartbeat"})
#: What is asked for by pages that hold something.
_LET_IN = frozenset({"deferred_file", "dataframe_chunk"})


#: How a whole page ends, and the longest message (bytes) that says so, or that a file is made.
_ENDS = frozenset({ForwardMsg.FINISHED_SUCCESSFULLY, ForwardMsg.FINISHED_WITH_COMPILE_ERROR})
_LONGEST_DONE = 4_000
#: Names that the framework gives pages and their parts, and the longest that a page of ours has. What is another is
#: written into the log as it stands.
_GIVEN_NAME = re.compile(r"[0-9a-f]{0,64}")
_LONGEST_PAGE = 64
#: Longest name (characters) that a browser gives a question of its own; the framework's have half of it. It comes back
#: in the answer, which would be a long one.
_LONGEST_ASKED = 64
#: Address of a file kept for download.
_MEDIA = re.compile(r"/media/([0-9a-f]{32,64})(?:\.[A-Za-z0-9]+)?")


class PagesKeeper:
    """Answers of this server's framework and settings."""

    def __init__(self) -> None:
        self._address = str(config.get_option("server.address") or "")
        self._port = int(config.get_option("server.port"))
        self._origin = shown_address(self._address, self._port, settings() if sign_in_named() else None)

    @property
    def origin(self) -> str:
        """Scheme, host and port under which people reach the pages."""
        return self._origin

    def caller(self, headers: Mapping[str, str], remote_ip: str | None, *, speaks: bool) -> Caller:
        """Who asks."""
        if not sign_in_named():
            return local_caller(self._address, headers, remote_ip, speaks=speaks)
        return caller_of(lambda: self._claims(headers))

    def names_us(self, host: str) -> bool:
        """Whether the pages are served under this name."""
        name = _host_of(f"//{host}")
        if not sign_in_named():
            return name is not None and is_loopback(name)
        return name is not None and name == _host_of(self._origin)

    def our_page(self, origin: str, host: str) -> bool:
        """Whether a page of this origin is one of ours."""
        if sign_in_named():
            return origin == self._origin
        return bool(host) and origin == f"http://{host}"

    def passes(self, message: bytes, caller: Caller) -> bool:
        """Whether what a browser asks for may reach the framework."""
        asked = BackMsg()
        try:
            asked.ParseFromString(message)
        except Exception:  # the wire format's own error, from a package that is the framework's
            return False
        kind = asked.WhichOneof("type")
        if kind == "backend_operation_request":
            operation = asked.backend_operation_request
            named = 0 < len(operation.request_id) <= _LONGEST_ASKED
            return bool(caller.viewer.roles) and named and operation.WhichOneof("payload") in _LET_IN
        if kind == "file_urls_request":
            # of any name: a page that gets no answer says nothing of it; what is no sheet is refused when it comes
            return caller.viewer.may_act and len(asked.file_urls_request.file_names) <= MOST_KEPT
        return kind in _ANYBODY and (kind != "rerun_script" or _of_ours(asked.rerun_script, bool(caller.viewer.roles)))

    def told(self, message: bytes) -> frozenset[str]:
        """The open page, files and things still to be made, out of the framework's own parts: never out of a text."""
        sent = ForwardMsg()
        try:
            sent.ParseFromString(message)
        except Exception:  # as above; then nothing was told
            return frozenset()
        kind = sent.WhichOneof("type")
        if kind == "new_session":
            return frozenset({page_name(sent.new_session.initialize.session_id)})
        if kind == "backend_operation_response":
            return _file(sent.backend_operation_response.deferred_file.url)
        return _named(sent.delta.new_element) if kind == "delta" else frozenset()

    def asked_for(self, message: bytes) -> str | None:
        """Name of what a browser asks to be made, as :meth:`told` has it."""
        asked = BackMsg()
        asked.ParseFromString(message)  # it passed before
        if asked.WhichOneof("type") != "backend_operation_request":
            return None
        operation = asked.backend_operation_request
        wanted = {
            "deferred_file": f"later {operation.deferred_file.file_id}",
            "dataframe_chunk": f"rows {operation.dataframe_chunk.source_id}",
        }
        return wanted.get(operation.WhichOneof("payload") or "")

    def look(self, message: bytes) -> str | None:
        """The part of a page that its browser has drawn again by a clock: see ``run_every``."""
        asked = BackMsg()
        try:
            asked.ParseFromString(message)
        except Exception:  # as above; it is asked before anything has passed
            return None
        if asked.WhichOneof("type") != "rerun_script" or not asked.rerun_script.is_auto_rerun:
            return None
        name = asked.rerun_script.fragment_id
        return name if name and _GIVEN_NAME.fullmatch(name) else None

    def is_work(self, message: bytes) -> bool:
        """Whether it has the framework draw a whole page, or make a file.

        Of a part of a page no end may ever be told: it may be gone by the time it is asked for. Ours take little.
        """
        asked = BackMsg()
        asked.ParseFromString(message)  # it passed before
        if asked.WhichOneof("type") == "rerun_script":
            return not asked.rerun_script.fragment_id
        return asked.backend_operation_request.WhichOneof("payload") == "deferred_file"

    def answered_as(self, message: bytes) -> str:
        """The browser's own name of what it asks for beside the pages: a file, or rows of a table."""
        asked = BackMsg()
        asked.ParseFromString(message)  # it passed before
        return asked.backend_operation_request.request_id

    def done(self, message: bytes) -> str | None:
        """A whole page drawn, or a file made, or not to be made; a page that the next one breaks off is not drawn."""
        if len(message) > _LONGEST_DONE:
            return None
        sent = ForwardMsg()
        try:
            sent.ParseFromString(message)
        except Exception:  # as above; then nothing is known
            return None
        kind = sent.WhichOneof("type")
        if kind == "backend_operation_response":
            answer = sent.backend_operation_response
            return None if answer.WhichOneof("payload") == "dataframe_chunk" else answer.request_id or None
        return "" if kind == "script_finished" and sent.script_finished in _ENDS else None

    def takes_up(self, protocols: str) -> tuple[str, str]:
        """The framework puts its token and an older page's name behind its own, by place."""
        told = protocols.split(",")
        return (told[2].strip() if len(told) > 2 else ""), ",".join(told[:2])

    def brought(self) -> Mapping[str, Brought]:
        """What the framework keeps in memory, by open page."""
        if not Runtime.exists():
            return {}
        storage = getattr(Runtime.instance().uploaded_file_mgr, "file_storage")  # noqa: B009 - not of its interface
        return {
            session: Brought(len(files), sum(len(file.data) for file in list(files.values())))
            for session, files in list(storage.items())
        }

    def keeps_only(self, session: str, file: str) -> None:
        """Of what was brought in for an open page, keep this file alone; a page takes one sheet at a time."""
        if not Runtime.exists():
            return
        files = Runtime.instance().uploaded_file_mgr
        kept = list(getattr(files, "file_storage").get(session, ()))  # noqa: B009 - not of its interface
        remove = getattr(files, "remove_file")  # noqa: B009 - neither is this
        for other in kept if file in kept else ():
            if other != file:
                remove(session, other)

    def sign_out(self, headers: Mapping[str, str]) -> None:
        """End the sign-in whose cookie this is."""
        if sign_in_named():
            ENDED.end(self._claims(headers))

    def _claims(self, headers: Mapping[str, str]) -> Mapping[str, Any]:
        """What the provider said of whoever has this cookie; nothing where its signature or origin is another."""
        try:
            signed = _get_signed_cookie_with_chunks(_cookies(headers.get("cookie", "")), USER_COOKIE_NAME)
            return _parse_decoded_user_cookie(signed, self._origin) if signed else {}
        except ValueError:  # letters that no cookie of ours has
            return {}


def _named(element: Element) -> frozenset[str]:
    """What one part of a page names."""
    kind = element.WhichOneof("type")
    if kind == "download_button":
        later = element.download_button.deferred_file_id
        return _file(element.download_button.url) | (frozenset({f"later {later}"}) if later else frozenset())
    if kind == "dataframe":
        source = element.dataframe.lazy_data.source_id
        return frozenset({f"rows {source}"}) if source else frozenset()
    return frozenset().union(*(_file(image.url) for image in element.imgs.imgs)) if kind == "imgs" else frozenset()


def _file(url: str) -> frozenset[str]:
    """The file that an address of the framework's store of files names."""
    found = _MEDIA.fullmatch(url)
    return frozenset({found[1]}) if found else frozenset()


def _cookies(told: str) -> dict[str, str]:
    """Cookies by name; what other programs of the same host left there in another form does not hide ours."""
    parts = (part.partition("=") for part in told.split(";"))
    return {name.strip(): value.strip().strip('"') for name, _, value in parts}


def _of_ours(asked: ClientState, inside: bool) -> bool:
    """Whether a page of ours asks to be drawn like this.

    Of what is filled in there nothing is asked: a browser whose person was let out a moment ago still says what stood
    on the page before.
    """
    return (
        bool(_GIVEN_NAME.fullmatch(asked.fragment_id) and _GIVEN_NAME.fullmatch(asked.page_script_hash))
        and len(asked.page_name) <= _LONGEST_PAGE
        and (inside or len(asked.query_string) <= LONGEST_QUERY)
    )


def _host_of(url: str) -> str | None:
    """Host name of an address in small letters; None for what is no host and port alone."""
    try:
        parts = urlsplit(url)
        name, _ = parts.hostname, parts.port
    except ValueError:
        return None
    return None if name is None or parts.username is not None or parts.path or parts.query else name.rstrip(".").lower()
