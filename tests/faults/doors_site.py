"""The pages behind a sign-in, started by the product's own command, and how they are asked without a browser."""

import contextlib
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from browser.serving import served
from builders import PLAIN, build_store
from faults.doors_speaker import CLIENT_SECRET, COOKIE_SECRET, Speaker, signed_cookie, write_sign_in

from fleetbrake.access.roles import Role

#: What nobody may see who is not let in.
FLEET = (*PLAIN.vehicles, *PLAIN.drivers, *PLAIN.depots)
REFUSED = "This page is not for your role"
ROLES = {
    "one-planner": Role.PLANNER,
    "one-safety": Role.SAFETY,
    "one-analyst": Role.ANALYST,
    "one-admin": Role.ADMIN,
}

#: What somebody's surroundings may say of the framework: the command says otherwise, and holds.
OPENED_BY_THE_SURROUNDINGS = {
    "LOGGER_LEVEL": "debug",
    "LOGGER_ENABLE_RICH": "true",
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
    """Where the pages are, and the files behind them."""

    at: str
    store: Path
    file: Path
    log: Path

    @property
    def port(self) -> int:
        return int(self.at.rpartition(":")[2])

    def cookie(self, person: str, **told: object) -> str:
        return signed_cookie(self.at, person, **told)  # type: ignore[arg-type]

    def speaker(self, person: str = "", **told: object) -> Speaker:
        return Speaker(self.at, self.cookie(person, **told) if person else "")

    @contextmanager
    def changed(self, change: Callable[[str], str]) -> Iterator[None]:
        """Another sign-in file for a while. Replaced as a whole, since the pages may read it at any moment."""
        whole = self.file.read_text(encoding="utf-8")
        try:
            self._put(change(whole))
            yield
        finally:
            self._put(whole)

    def in_other_roles(self, claim: str, *roles: str) -> AbstractContextManager[None]:
        """Whoever has this claim has these roles for a while."""
        said = ", ".join(f'"{role}"' for role in roles)
        return self.changed(lambda text: _with_roles(text, claim, said))

    def _put(self, text: str) -> None:
        other = self.file.with_suffix(".new")
        other.write_text(text, encoding="utf-8")
        other.chmod(0o600)
        other.replace(self.file)


def _with_roles(text: str, claim: str, said: str) -> str:
    lines = [line if line.split("=")[0].strip() != claim else f"{claim} = [{said}]" for line in text.split("\n")]
    assert "\n".join(lines) != text, "else nothing was changed"
    return "\n".join(lines)


@contextmanager
def opened() -> Iterator[Site]:
    """The pages of a small store in a folder of their own."""
    with tempfile.TemporaryDirectory(prefix="doors-") as name, pytest.MonkeyPatch.context() as surroundings:
        folder = Path(name)
        store, file = build_store(folder / "store"), write_sign_in(folder / "sign-in.toml")
        _leave_settings(folder)
        for option, value in OPENED_BY_THE_SURROUNDINGS.items():
            surroundings.setenv(f"STREAMLIT_{option}", value)
        with served(store, folder / "pages.log", "--sign-in", str(file)) as at:
            yield Site(at, store, file, folder / "pages.log")


def _leave_settings(folder: Path) -> None:
    """What somebody else may have left in the folder that the pages are started in: it opens doors."""
    hidden = folder / ".streamlit"
    hidden.mkdir()
    lines = ["[server]", "enableCORS = false", "enableXsrfProtection = false", 'baseUrlPath = "elsewhere"']
    (hidden / "config.toml").write_text("\n".join(lines), encoding="utf-8")


def raw(port: int, *lines: str, body: bytes = b"", patience_s: float = 30.0) -> tuple[int, bytes, bytes]:
    """Status, head and body of an answer to a request as it stands; status 599 where there was none."""
    more = {"host": f"Host: 127.0.0.1:{port}", "connection": "Connection: close"}
    for line in lines:
        more.pop(line.partition(":")[0].lower(), None)
    answer = b""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=patience_s) as link:
            with contextlib.suppress(OSError):  # refused before all of it was sent: the answer is there all the same
                link.sendall("\r\n".join([*lines, *more.values(), "", ""]).encode("utf-8") + body)
            while part := link.recv(65536):
                answer += part
    except OSError:  # closed in the middle: what came until then is the answer
        pass
    head, _, rest = answer.partition(b"\r\n\r\n")
    return int(head.split(b" ", 2)[1]) if head.startswith(b"HTTP/") else 599, head, rest


def nothing_secret_in_the_log(site: Site) -> None:
    """What the server said so far holds no secret and no traceback."""
    log = site.log.read_text(encoding="utf-8")
    assert "Pages at" in log
    assert not [word for word in secrets(site) if word in log]
    # the framework's words for a file that is asked for when its page was drawn anew already, and for a value that is
    # none, which a test sends
    meant = log.count("MediaFileStorageError: Deferred file") + log.count("JSONDecodeError: Expecting value")
    assert log.count("Traceback") == meant, log[-3000:]


def secrets(site: Site) -> tuple[str, ...]:
    """What is to be in no log and on no command line."""
    return COOKIE_SECRET, CLIENT_SECRET, site.cookie("one-admin")[20:60]
