"""What the provider is asked for when somebody signs in: a real server, and a provider of which metadata is all."""

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import pytest
from faults.doors_site import Site
from faults.doors_speaker import Speaker, asked
from streamlit.proto.WidgetStates_pb2 import WidgetState

from fleetbrake.access.sign_in import _CLIENT_KNOWN


class _Metadata(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        at = f"http://127.0.0.1:{self.server.server_address[1]}"
        endpoints = {f"{name}_endpoint": f"{at}/{name}" for name in ("authorization", "token")}
        told = json.dumps({"issuer": at, "jwks_uri": f"{at}/keys", **endpoints}).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(told)))
        self.end_headers()
        self.wfile.write(told)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def provider() -> Iterator[str]:
    """Its address."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Metadata) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}"
        server.shutdown()


def test_all_that_the_sign_in_file_takes_is_asked_for(site: Site, provider: str) -> None:
    """What is taken and never sent, somebody would rely on."""
    taken = {"scope": "openid email", "prompt": "login consent", "login_hint": "ada@example.org"}
    assert {*taken, "timeout"} == set(_CLIENT_KNOWN), "the last one is the library's own"
    lines = "\n".join(f'{key} = "{value}"' for key, value in taken.items())

    def _asks(text: str) -> str:
        told = text.replace("http://127.0.0.1:1/", f"{provider}/")
        return told.replace("[roles]", f"[auth.client_kwargs]\ntimeout = 20\n{lines}\n[roles]", 1)

    with site.changed(_asks), site.speaker() as speaker:
        address = _pressed(speaker)
        status, headers, _ = asked(site.at, address)
    location = next(value for name, value in headers.items() if name.lower() == "location")
    assert status == 302 and location.startswith(f"{provider}/authorization?")
    sent = parse_qs(urlsplit(location).query)
    assert {key: sent.get(key) for key in taken} == {key: [value] for key, value in taken.items()}


def _pressed(speaker: Speaker) -> str:
    """Where the button to sign in leads."""
    (button,) = (name for name in speaker.rerun().widgets if name.endswith("sign_in"))
    (redirect,) = speaker.rerun(states=[WidgetState(id=button, trigger_value=True)]).of("auth_redirect")
    return str(redirect.url)
