"""A real browser: what stands first on the screen is what ranks first in the database."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from builders import HOSTILE, PLAIN, build_store

from fleetbrake.store.database import reading

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.browser

#: How long the server may take to answer and a page to draw; a slow machine is no fault (s).
PATIENCE_S = 60


def _missing(reason: str) -> None:
    """Skip on a developer's machine; where the project is checked, a browser is owed."""
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def chromium() -> str:
    pytest.importorskip("playwright.sync_api") if os.environ.get("CI") != "true" else None
    for name in ("chromium", "chromium-browser", "google-chrome", "chrome"):
        found = shutil.which(name)
        if found:
            return found
    _missing("no Chromium on this machine: install the distribution's package 'chromium'")
    raise AssertionError("unreachable")


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def _served(store: Path, log: Path) -> Iterator[str]:
    """Address of the pages on a loopback port; the server is always stopped."""
    port = _free_port()
    path = os.pathsep.join(p for p in (str(ROOT), os.environ.get("PYTHONPATH", "")) if p)
    command = [sys.executable, "-m", "streamlit", "run", str(ROOT / "dashboards" / "app.py")]
    options = ["--server.headless=true", "--server.address=127.0.0.1", f"--server.port={port}"]
    options += ["--server.fileWatcherType=none", "--browser.gatherUsageStats=false"]
    with log.open("w", encoding="utf-8") as out:
        server = subprocess.Popen(
            command + options,
            cwd=log.parent,
            env={**os.environ, "FLEETBRAKE_STORE": str(store), "PYTHONPATH": path},
            stdout=out,
            stderr=subprocess.STDOUT,
        )
        try:
            _wait_until_up(server, port, log)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()
            try:
                server.wait(timeout=10)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def _wait_until_up(server: subprocess.Popen[bytes], port: int, log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        assert server.poll() is None, log.read_text(encoding="utf-8")
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, TimeoutError, ConnectionError):
            time.sleep(0.2)
    raise AssertionError("the pages did not come up: " + log.read_text(encoding="utf-8"))


@contextmanager
def _page(chromium: str) -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-background-networking", "--disable-gpu"]
        )
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            page.set_default_timeout(PATIENCE_S * 1000)
            yield page
        finally:
            browser.close()


def _ranked(store: Path) -> list[tuple[int, str, str]]:
    """Rank, vehicle and reason as the database has them, asked of it directly."""
    with reading(store) as con:
        newest = "(SELECT max(as_of) FROM vehicle_health)"
        sql = f"SELECT rank, vehicle_id, reason FROM vehicle_health WHERE as_of = {newest} ORDER BY rank"
        return [(int(r), str(v), str(t)) for r, v, t in con.execute(sql).fetchall()]


@pytest.mark.xdist_group("browser")
def test_rank_one_on_the_screen_is_rank_one_in_the_database(chromium: str, tmp_path: Path) -> None:
    store = build_store(tmp_path / "store")
    expected = _ranked(store)
    with _served(store, tmp_path / "server.log") as address, _page(chromium) as page:
        page.goto(address)  # type: ignore[attr-defined]
        first = page.locator(".st-key-row_1")  # type: ignore[attr-defined]
        rank, vehicle, reason = expected[0]
        # a row is drawn piece by piece
        for piece in (vehicle, reason):
            first.get_by_text(piece, exact=True).wait_for()
        lines = first.inner_text().splitlines()
        assert lines[0].strip() == str(rank)
        assert vehicle in lines and reason in lines
        box = first.bounding_box()
        assert box is not None and box["y"] + box["height"] < 800, "rank 1 is seen without scrolling"
        page.locator(".st-key-row_10").get_by_text(expected[9][1], exact=True).wait_for()  # type: ignore[attr-defined]
        shown = page.locator('[class*="st-key-row_"] [data-testid="stPageLink"]').all_inner_texts()  # type: ignore[attr-defined]
        assert [text.strip() for text in shown] == [v for _, v, _ in expected[:10]]
        assert expected[0][1] == PLAIN.vehicles[0]


@pytest.mark.xdist_group("browser")
def test_a_click_leads_to_the_vehicle_and_hostile_ids_stay_text(chromium: str, tmp_path: Path) -> None:
    store = build_store(tmp_path / "store", hostile=True)
    with _served(store, tmp_path / "server.log") as address, _page(chromium) as page:
        opened: list[str] = []
        page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))  # type: ignore[attr-defined]
        page.goto(address)  # type: ignore[attr-defined]
        page.locator('.st-key-row_8 [data-testid="stPageLink"] p').wait_for()  # type: ignore[attr-defined]
        shown = page.locator('[class*="st-key-row_"] [data-testid="stPageLink"]').all_inner_texts()  # type: ignore[attr-defined]
        clean = [" ".join(text.replace("\u2060", "").split()) for text in shown]
        assert clean == [" ".join(v.split()) for v in HOSTILE.vehicles]
        # ids may stand inside an address of these pages, but no link leads anywhere else
        origins = page.evaluate("[...document.links].map(link => link.origin)")  # type: ignore[attr-defined]
        assert set(origins) == {address}
        page.locator('.st-key-row_1 [data-testid="stPageLink"] a').click()  # type: ignore[attr-defined]
        page.get_by_text("Wheels from above").wait_for()  # type: ignore[attr-defined]
        assert "/vehicle?vehicle=" in page.url  # type: ignore[attr-defined]
        assert opened == []
