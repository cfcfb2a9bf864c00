"""A real browser: what stands first on the screen is what ranks first in the database."""

from pathlib import Path
from typing import Any

import pytest
from builders import HOSTILE, PLAIN, build_store
from serving import new_page, served

from fleetbrake.core.foreign_text import visible
from fleetbrake.store.database import reading

pytestmark = [pytest.mark.browser]

#: The links of the list that lead to a vehicle's page.
VEHICLES = '[class*="st-key-row_"] [data-testid="stPageLink"] a[href*="vehicle?"]'


def _ranked(store: Path) -> list[tuple[int, str, str]]:
    """Rank, vehicle and reason as the database has them, asked of it directly."""
    with reading(store) as con:
        newest = "(SELECT max(as_of) FROM vehicle_health)"
        sql = f"SELECT rank, vehicle_id, reason FROM vehicle_health WHERE as_of = {newest} ORDER BY rank"
        return [(int(r), str(v), str(t)) for r, v, t in con.execute(sql).fetchall()]


def test_rank_one_on_the_screen_is_rank_one_in_the_database(browser: Any, tmp_path: Path) -> None:
    store = build_store(tmp_path / "store")
    expected = _ranked(store)
    with served(store, tmp_path / "server.log") as address:
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


def test_a_click_leads_to_the_vehicle_and_hostile_ids_stay_text(browser: Any, tmp_path: Path) -> None:
    store = build_store(tmp_path / "store", hostile=True)
    with served(store, tmp_path / "server.log") as address:
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
