"""A real browser before pages without a sign-in: what ranks first stands first, ids are text, and who is let in."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from builders import HOSTILE, PLAIN, build_store
from serving import REBOUND, new_page, served

from fleetbrake.access.caller import NOT_HERE
from fleetbrake.core.foreign_text import visible
from fleetbrake.store.database import database_path, reading

pytestmark = [pytest.mark.browser]

#: The links of the list that lead to a vehicle's page.
VEHICLES = '[class*="st-key-row_"] [data-testid="stPageLink"] a[href*="vehicle?"]'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With a ``store``, and the ``pages.log`` of the server that shows it."""
    made = tmp_path_factory.mktemp("pages")
    build_store(made / "store")
    return made


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder / "store", folder / "pages.log") as found:
        yield found


def _ranked(store: Path) -> list[tuple[int, str, str]]:
    """Rank, vehicle and reason as the database has them, asked of it directly."""
    with reading(store) as con:
        newest = "(SELECT max(as_of) FROM vehicle_health)"
        sql = f"SELECT rank, vehicle_id, reason FROM vehicle_health WHERE as_of = {newest} ORDER BY rank"
        return [(int(r), str(v), str(t)) for r, v, t in con.execute(sql).fetchall()]


def test_rank_one_on_the_screen_is_rank_one_in_the_database(address: str, folder: Path, browser: Any) -> None:
    expected = _ranked(folder / "store")
    page = new_page(browser)
    page.goto(address)
    first = page.locator(".st-key-row_1")
    rank, vehicle, reason = expected[0]
    # a row is drawn piece by piece
    for piece in (vehicle, reason):
        first.get_by_text(piece, exact=True).wait_for()
    lines = first.inner_text().splitlines()
    assert lines[0].strip() == str(rank)
    assert vehicle in lines and reason in lines
    box = first.bounding_box()
    assert box is not None and box["y"] + box["height"] < 800, "rank 1 is seen without scrolling"
    page.locator(".st-key-row_11").get_by_text(expected[10][1], exact=True).wait_for()
    shown = page.locator(VEHICLES).all_inner_texts()
    assert [text.strip() for text in shown] == [v for _, v, _ in expected[:11]], "what must not wait, then ten"
    assert expected[0][1] == PLAIN.vehicles[0]
    page.context.close()


def test_only_this_machine_under_its_own_name_is_let_in(address: str, folder: Path, browser: Any) -> None:
    passed_on = browser.new_context(extra_http_headers={"X-Forwarded-For": "10.0.0.7"}).new_page()
    passed_on.goto(address)
    passed_on.get_by_text(NOT_HERE.partition(":")[0]).wait_for()
    assert not re.search("|".join(PLAIN.vehicles), str(passed_on.locator("body").inner_text()))
    foreign = new_page(browser)  # its own name is let in: the test above
    foreign.goto(address.replace("127.0.0.1", REBOUND))
    foreign.get_by_text("not served under this name").wait_for()
    assert "under a name that is not ours" in (folder / "pages.log").read_text(encoding="utf-8")
    for page in (passed_on, foreign):
        page.context.close()


def test_a_click_leads_to_the_vehicle_and_hostile_ids_stay_text(
    address: str, folder: Path, browser: Any, tmp_path: Path
) -> None:
    """The last one here: another database takes the place of the one that was shown so far."""
    database_path(build_store(tmp_path, hostile=True)).replace(database_path(folder / "store"))
    page = new_page(browser)
    opened: list[str] = []
    page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))
    page.goto(address)
    page.locator('.st-key-row_8 [data-testid="stPageLink"] p').wait_for()
    shown = page.locator(VEHICLES).all_inner_texts()
    clean = [" ".join(text.replace("\u2060", "").split()) for text in shown]
    assert clean == [visible(" ".join(v.split())) for v in HOSTILE.vehicles]
    # ids may stand inside an address of these pages, but no link leads anywhere else
    origins = page.evaluate("[...document.links].map(link => link.origin)")
    assert set(origins) == {address}
    page.locator(VEHICLES).first.click()
    page.get_by_text("Wheels from above").wait_for()
    assert "/vehicle?vehicle=" in page.url
    assert opened == []
    page.context.close()
