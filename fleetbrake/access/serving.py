"""How the pages are served: on which address, with which locks, and never openly beyond this machine."""

import errno
import os
import socket
from collections.abc import MutableMapping
from pathlib import Path
from typing import Final

from fleetbrake.access.loopback import is_loopback
from fleetbrake.access.sign_in import SignIn
from fleetbrake.core.errors import FleetbrakeError

#: Where the pages learn which sign-in file holds.
SIGN_IN_VARIABLE: Final = "FLEETBRAKE_SIGN_IN"

HOW_TO_OPEN_UP: Final = (
    "To let others in, write a sign-in file for your OpenID Connect provider with the parts [auth] and [roles] "
    "(`fleetbrake dashboard --help` shows one), make it readable by you alone, put a server that speaks https in "
    "front, and start with --sign-in FILE.toml."
)

#: What ``--help`` says of the command, as rich text; a paragraph is one line.
DASHBOARD_HELP: Final = "\n".join(
    (
        "Open the pages in a browser; without --sign-in they are reachable from this machine only.",
        "",
        "To let others in, people have to sign in at your OpenID Connect provider. Write a file like this, readable by "
        "you alone (chmod 600), put a server that speaks https in front, which passes the Host header and web sockets "
        "on and ends slow requests, and start with --sign-in FILE.toml, with --address as well where that server is "
        "another machine:",
        "",
        r"\[auth]",
        'redirect_uri = "https://brakes.example.org/oauth2callback"',
        'cookie_secret = "32 characters or more, drawn at random"',
        'client_id = "..."',
        'client_secret = "..."',
        'server_metadata_url = "https://login.example.org/..."',
        r"\[roles]",
        'claim = "groups"',
        r"\[roles.by_claim]",
        r'"workshop" = \["planner"]',
        r"\[roles.by_email]",
        r'"ada@example.org" = \["safety"]',
        r"\[roles.by_subject]",
        r'"248289761001" = \["analyst"]',
        "",
        "Roles: planner (plans, decides, enters findings), safety (drivers' names and places), analyst (figures), "
        "admin (everything but drivers' names and places). A mail address counts only if the provider says that it was "
        "checked. After 12 hours people sign in anew. What is changed in the file holds within half a minute, on open "
        "pages too.",
    )
)

#: What the server is told, whatever a configuration file or the surroundings say otherwise.
_LOCKS: Final = {
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "server.enableXsrfProtection": "true",
    "server.enableCORS": "true",
    "server.enableStaticServing": "false",
    "server.enableAgentApi": "false",
    "server.trustedUserHeaders": "{}",
    "server.baseUrlPath": "",
    "server.scriptHealthCheckEnabled": "false",
    # megabytes: a findings sheet; what a page sends, and a browser; own choice, pages take a tenth of it
    "server.maxUploadSize": "2",
    "server.maxMessageSize": "64",
    "server.maxWidgetStateSize": "1",
    # its finer levels write down what passes, cookies with it
    "logger.level": "info",
    # it would write errors of pages past the log that is bounded: whole, each time, with signs that steer a terminal
    "logger.enableRich": "false",
    # the address that it names is its own, which is not always the one to open
    "logger.hideWelcomeMessage": "true",
    "global.developmentMode": "false",
    "global.appTest": "false",
    "client.showErrorDetails": "none",
    "client.toolbarMode": "viewer",
    "browser.gatherUsageStats": "false",
    "global.e2eTest": "false",
    "global.unitTest": "false",
    "runner.magicEnabled": "false",
    "runner.fastReruns": "true",
    "server.allowRunOnSave": "false",
    "server.runOnSave": "false",
    "server.customComponentBaseUrlPath": "",
    "server.disconnectedSessionTTL": "120",
    "server.enableWebsocketCompression": "false",
    "server.xsrfCookieSameSite": "lax",
    "browser.serverAddress": "localhost",
}
#: Instead of where the framework would look for secrets: in the home folder and the folder it is started in. It does
#: not read the sign-in file either: once its own watcher meets a file that is half-written or away, it looks no more.
_NO_SECRETS: Final = "no-such-file.toml"
#: What of the surroundings names places: modules, the authorities that certificates are held against, compiled code,
#: and ours.
_NAMED_PLACES: Final = (
    "PYTHONPATH", "SSL_CERT_FILE", "SSL_CERT_DIR", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE", "NUMBA_CACHE_DIR",
    "FLEETBRAKE_STORE", SIGN_IN_VARIABLE,
)  # fmt: skip
_SEVERAL: Final = ("PYTHONPATH", "SSL_CERT_DIR")


def check_address(address: str, sign_in: SignIn | None) -> None:
    """FleetbrakeError if the pages would be open to other machines without a sign-in, or to nobody."""
    if "::ffff:" in address.lower():  # browsers write it in another way than the server
        raise FleetbrakeError(f"--address {address}: give the address of four numbers that stands in it.")
    if sign_in is None and not is_loopback(address):
        raise FleetbrakeError(
            f"--address {address}: without a sign-in the pages are for this machine only (127.0.0.1, ::1 or "
            f"localhost). {HOW_TO_OPEN_UP}"
        )


def check_port(address: str, port: int) -> None:
    """FleetbrakeError if the server could not listen there: told before anything is said to be at that address."""
    bare = address.removeprefix("[").removesuffix("]")
    family = socket.AF_INET6 if ":" in bare else socket.AF_INET  # as the server has it
    try:
        with socket.socket(family) as tried:
            if os.name != "nt":  # there it would let two listen on one port
                tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind((bare, port))
            tried.listen(1)
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        why = "something else listens there already" if taken else str(error.strerror or error)
        how = "choose another --port" if error.errno in (errno.EADDRINUSE, errno.EACCES) else "see --address"
        raise FleetbrakeError(f"{address}, port {port}: the pages cannot be served there: {why}; {how}.") from error


def server_options(address: str, port: int, sign_in: SignIn | None) -> list[str]:
    """Options of the pages' server, each as ``--name=value``."""
    bare = address.removeprefix("[").removesuffix("]")
    options = [f"--{name}={value}" for name, value in _LOCKS.items()]
    options += [f"--server.address={bare}", f"--server.port={port}"]
    # pages of other sites that hold these in a frame get no say in them; by default some would
    options.append(f"--client.allowedOrigins={shown_address(address, port, sign_in)}")
    hosts = ["localhost", "127.0.0.1", "::1", bare] if is_loopback(bare) else []
    if sign_in is not None:
        hosts.append(sign_in.host)
        options.append(f"--server.corsAllowedOrigins={sign_in.origin}")
    options.append(f"--secrets.files={_NO_SECRETS}")  # the pages hand over what they read of the sign-in file
    return options + [f"--server.allowedHosts={host}" for host in dict.fromkeys(hosts)]


def shown_address(address: str, port: int, sign_in: SignIn | None) -> str:
    """The address to open in a browser."""
    if sign_in is not None:
        return sign_in.origin
    bare = address.removeprefix("[").removesuffix("]")
    return f"http://[{bare}]:{port}" if ":" in bare else f"http://{bare}:{port}"


def settle_in(pages: Path, surroundings: MutableMapping[str, str]) -> None:
    """Leave the folder that the command was started in for that of the pages: what it holds configures nothing.

    The framework reads ``.streamlit`` of the folder at hand, which may be another's. Folders of modules and whatever
    else is named from there keep their place.
    """
    for name in _NAMED_PLACES:
        named = surroundings.get(name, "")
        if named:
            parts = named.split(os.pathsep) if name in _SEVERAL else [named]
            surroundings[name] = os.pathsep.join(str(Path(part).absolute()) for part in parts)
    os.chdir(pages.parent)


def pages_file(package: Path) -> Path:
    """The pages' entry, in an installed package or a checkout; FleetbrakeError if they are not there."""
    for page in (package / "_dashboards" / "doors.py", package.parent / "dashboards" / "doors.py"):
        if page.is_file():
            return page
    raise FleetbrakeError("The pages were not installed with this package.")
