"""An object store on loopback, and a way to it on which answers go wrong as they do on real ones."""

import http.client
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from pyarrow import fs

from fleetbrake.recordings import remote

BUCKET = "recordings-one"


@contextmanager
def object_store(patch: pytest.MonkeyPatch) -> Iterator[str]:
    """Address of an S3 server of this machine, named by the environment as another one would be, with one bucket."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    endpoint = f"http://{host}:{port}"
    for name, value in {
        "AWS_ACCESS_KEY_ID": "test",
        "AWS_SECRET_ACCESS_KEY": "hush",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": endpoint,
        "AWS_EC2_METADATA_DISABLED": "true",
    }.items():
        patch.setenv(name, value)
    fs.S3FileSystem(allow_bucket_creation=True, endpoint_override=endpoint, region="us-east-1").create_dir(BUCKET)
    try:
        yield endpoint
    finally:
        server.stop()


@dataclass
class Faults:
    """What happens to the next requests whose method is ``method`` and whose path ends with ``ending``.

    ``kinds`` are used up one a request: ``""`` passes, ``denied``, ``ill`` (503), ``silent`` (nothing for ``wait_s``),
    ``late`` (the whole answer after ``wait_s``),
    ``dropped`` (half of the body, then the connection ends), ``trickling`` (a byte now and then).
    """

    ending: str
    kinds: list[str]
    method: str = "GET"
    wait_s: float = 3.0
    seen: list[str] = field(default_factory=list)

    def next(self, method: str, path: str) -> str:
        """The fault of this request."""
        if method != self.method or not path.partition("?")[0].endswith(self.ending):
            return ""
        self.seen.append(f"{method} {path}")
        return self.kinds.pop(0) if self.kinds else ""


@contextmanager
def faulty_way(endpoint: str, patch: pytest.MonkeyPatch, faults: Faults) -> Iterator[Faults]:
    """Lead the client by a server in between that does what ``faults`` say and else passes everything on."""
    there = endpoint.removeprefix("http://")

    class Between(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_: Any) -> None:
            return

        def handle_any(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            fault = faults.next(self.command, self.path)
            if fault == "silent":
                time.sleep(faults.wait_s)
                self.close_connection = True
                return
            if fault in ("denied", "ill"):
                self.send_response(403 if fault == "denied" else 503)
                self.send_header("Content-Length", "0")
                self.end_headers()
                return
            if fault == "late":
                time.sleep(faults.wait_s)
            status, headers, content = _asked(there, self.command, self.path, dict(self.headers), body)
            self.send_response(status)
            for name, value in headers:
                if name.lower() not in ("transfer-encoding", "connection", "server", "date"):
                    self.send_header(name, value)
            self.end_headers()
            self._send(content, fault)

        def _send(self, content: bytes, fault: str) -> None:
            if fault == "dropped":
                self.wfile.write(content[: len(content) // 2])
                self.close_connection = True
            elif fault == "trickling":
                try:
                    for place in range(int(faults.wait_s * 20)):
                        self.wfile.write(content[place : place + 1])
                        self.wfile.flush()
                        time.sleep(0.05)
                except OSError:  # nobody listens any more
                    pass
                self.close_connection = True
            else:
                self.wfile.write(content)

        do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = handle_any

    server = ThreadingHTTPServer(("127.0.0.1", 0), Between)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        with patch.context() as way:
            way.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{server.server_address[1]}")
            remote._system.cache_clear()
            yield faults
    finally:
        remote._system.cache_clear()
        server.shutdown()
        server.server_close()


def _asked(
    there: str, method: str, path: str, headers: dict[str, str], body: bytes
) -> tuple[int, list[tuple[str, str]], bytes]:
    connection = http.client.HTTPConnection(there, timeout=20)
    try:
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        return answer.status, answer.getheaders(), answer.read()
    finally:
        connection.close()
