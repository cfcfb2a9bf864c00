"""Pages of a store whose every name is hostile, in a real browser: nothing of it runs, links away or loads."""

from collections.abc import Iterator
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from faults.hostile_fleet import Fleet, make_fleet
from faults.hostile_texts import CHARTS, FLAG, LETTERS, MARKDOWN, MARKUP, SHEETS, SQL, TERMINAL
from serving import new_page, served

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TEXTS = [one.text for one in (*MARKUP, *MARKDOWN, *CHARTS[:4], SQL[0], SHEETS[5], TERMINAL[0], TERMINAL[2], LETTERS[0])]
#: Whatever a payload could have made of itself; our own links lead to our own pages.
MADE = """() => [...document.querySelectorAll('main a[href], iframe, object, embed, img, .katex, script')]
    .map(one => [one.tagName, one.href || one.src || one.data || 'inline'])"""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return make_fleet(tmp_path_factory.mktemp("hostile"), TEXTS)


@pytest.fixture(scope="module")
def address(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(fleet.store, tmp_path_factory.mktemp("log") / "server.log") as found:
        yield found


def _asked(fleet: Fleet) -> list[str]:
    """Addresses of all pages, and of a vehicle and an event of some texts; more of them without a browser."""
    chosen = fleet.vehicles[len(fleet.vehicles) // 2]
    return [
        "",
        "drivers",
        "recordings",
        "month",
        f"event?event={quote(chosen + ' e0', safe='')}",
        f"vehicle?vehicle={quote(MARKUP[0].text)}&units={MARKUP[1].text}",
    ]


def _opened(page: Any, address: str) -> None:
    page.goto(address)
    page.locator('[data-testid="stHeading"]').first.wait_for()
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for()


def _strange(made: list[list[str]], address: str) -> list[list[str]]:
    """What is none of our own: links and scripts of the server alone, pictures that it or the page gives."""
    own = {"A": (address,), "SCRIPT": (address, "inline"), "IMG": (address, "data:image/", "blob:")}
    return [[tag, where] for tag, where in made if not where.startswith(own.get(tag, ("nothing",)))]


def test_nothing_of_it_runs_links_away_or_loads(fleet: Fleet, address: str, browser: Any) -> None:
    page = new_page(browser, 1440, 900)
    elsewhere: list[str] = []
    page.on(
        "request", lambda asked: elsewhere.append(asked.url) if urlsplit(asked.url).hostname == "example.org" else None
    )
    page.on("dialog", lambda dialog: elsewhere.append(f"dialog {dialog.message}"))
    try:
        shown = ""
        for asked in _asked(fleet):
            _opened(page, f"{address}/{asked}")
            assert page.evaluate(f"window.{FLAG}") is None, asked
            assert _strange(page.evaluate(MADE), address) == [], asked
            shown += page.inner_text("body")
        assert elsewhere == []
        # the look at the pages can find something: the texts are there, letter by letter
        assert MARKUP[0].text in shown.replace("\u2060", "")
        page.evaluate(f"window.{FLAG} = 1")
        assert page.evaluate(f"window.{FLAG}") == 1
    finally:
        page.context.close()
