"""A real server of the pages and a real headless browser, for the tests of this folder. Both are always ended."""

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

#: How long a server may take to answer and a page to draw; a slow machine is no fault (s).
PATIENCE_S = 60

#: A foreign name that leads to this machine.
REBOUND = "rebound.example.test"

#: The browser asks nobody outside for anything.
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def free_port() -> int:
    """A port of this machine that nobody listens on now."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def running(command: list[str], log: Path, answers: str, env: Mapping[str, str] | None = None) -> Iterator[None]:
    """A process that is up once the address ``answers`` does; what it says goes to ``log``."""
    with log.open("w", encoding="utf-8") as out:
        process = subprocess.Popen(
            command, cwd=log.parent, env={**os.environ, **(env or {})}, stdout=out, stderr=subprocess.STDOUT
        )
        try:
            _wait_until_up(process, answers, log)
            yield
        finally:
            process.terminate()
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_until_up(process: subprocess.Popen[bytes], address: str, log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text(encoding="utf-8")
        try:
            with urllib.request.urlopen(address, timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, TimeoutError, ConnectionError):
            time.sleep(0.2)
    raise AssertionError(f"{address} did not come up: " + log.read_text(encoding="utf-8"))


@contextmanager
def served(store: Path, log: Path, *options: str, port: int | None = None) -> Iterator[str]:
    """Address of the pages, started by the product's own command on a loopback port; ``options`` are that command's."""
    port = free_port() if port is None else port
    path = os.pathsep.join(p for p in (str(ROOT), os.environ.get("PYTHONPATH", "")) if p)
    command = [sys.executable, "-m", "fleetbrake.cli", "dashboard", "--store", str(store), f"--port={port}", *options]
    with running(command, log, f"http://127.0.0.1:{port}/_stcore/health", {"PYTHONPATH": path}):
        yield f"http://127.0.0.1:{port}"


@contextmanager
def chromium_browser(chromium: str, *flags: str) -> Iterator[Any]:
    """A headless browser: several contexts may be opened in it, as of several people. One at a time."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=[*FLAGS, *flags])
        try:
            yield browser
        finally:
            browser.close()


def new_page(browser: Any, width: int = 1280, height: int = 800) -> Any:
    """A page of a person of its own: no cookies, nothing kept."""
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.set_default_timeout(PATIENCE_S * 1000)
    return page
