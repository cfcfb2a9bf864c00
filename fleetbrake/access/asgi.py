"""The words of ASGI, the interface between a server and what it serves, as the gate and its parts use them."""

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


def headers_of(scope: Scope) -> dict[str, str] | None:
    """The headers by name in small letters; None where one that decides stands there twice."""
    told: dict[str, str] = {}
    for name, value in scope.get("headers", []):
        key = name.decode("latin-1").lower()
        if key in told and key in ("host", "origin", "content-length", "sec-websocket-protocol"):
            return None
        # HTTP/2 and some servers in front send cookies in parts: RFC 9113 section 8.2.3 (from memory)
        joined = "; " if key == "cookie" else ", "
        told[key] = f"{told[key]}{joined}{value.decode('latin-1')}" if key in told else value.decode("latin-1")
    return told


def with_header(scope: Scope, name: str, value: str) -> Scope:
    """The scope with one header changed."""
    key = name.encode("latin-1")
    others = [(told, kept) for told, kept in scope.get("headers", []) if bytes(told).lower() != key]
    return {**scope, "headers": [*others, (key, value.encode("latin-1"))]}


def remote_of(scope: Scope) -> str | None:
    """The other end of the connection."""
    client = scope.get("client")
    return str(client[0]) if client else None
