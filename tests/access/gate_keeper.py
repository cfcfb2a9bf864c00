"""A keeper for gates without a server: it answers as told."""

from collections.abc import Mapping

from fleetbrake.access.caller import Caller
from fleetbrake.access.keeper import Brought
from fleetbrake.access.roles import NOBODY, Role, Viewer

INSIDE = Caller(Viewer("x", frozenset({Role.PLANNER})), signed_in=True, person="p")
OUTSIDE = Caller(NOBODY, "Sign in", may_sign_in=True)


class StubKeeper:
    """Answers as told."""

    origin = "https://brakes.example.org"

    def __init__(self, caller: Caller = INSIDE, ours: bool = True) -> None:
        self._caller, self._ours = caller, ours
        self.signed_out = 0
        self.kept: dict[str, Brought] = {}
        self.only: list[tuple[str, str]] = []

    def caller(self, _headers: Mapping[str, str], _remote_ip: str | None, *, speaks: bool) -> Caller:
        assert speaks in (True, False)
        return self._caller

    def names_us(self, _host: str) -> bool:
        return self._ours

    def our_page(self, _origin: str, _host: str) -> bool:
        return self._ours

    def passes(self, message: bytes, _caller: Caller) -> bool:
        return message != b"no"

    def look(self, message: bytes) -> str | None:
        return message.decode() if message.startswith(b"look") else None

    def is_work(self, message: bytes) -> bool:
        return message.startswith(b"draw")

    def answered_as(self, message: bytes) -> str:
        return message.decode() if message.startswith(b"draw file") else ""

    def done(self, message: bytes) -> str | None:
        return "" if message == b"drawn" else None

    def told(self, message: bytes) -> frozenset[str]:
        return frozenset({message.decode()}) if message.startswith(b"page ") else frozenset()

    def asked_for(self, _message: bytes) -> str | None:
        return None

    def takes_up(self, protocols: str) -> tuple[str, str]:
        return protocols.partition(",")[2], protocols.partition(",")[0]

    def brought(self) -> Mapping[str, Brought]:
        return self.kept

    def keeps_only(self, session: str, file: str) -> None:
        self.only.append((session, file))

    def sign_out(self, _headers: Mapping[str, str]) -> None:
        self.signed_out += 1
