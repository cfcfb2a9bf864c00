"""The planner's walk in a real browser, on a small invented fleet that went through the product's own commands.

From the opening of the tool to the worst event in at most three clicks; a fixed date, a new plan, a finding, new
scores. The fleet is our own scenario (twelve vans in six weeks): it shows that the parts fit together.
"""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import TimeoutError as PlaywrightTimeout
from serving import PATIENCE_S, new_page, served

from fleetbrake import pipeline
from fleetbrake.access.roles import PAGES
from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.reports import look
from fleetbrake.simulation.fleet import write_demo
from fleetbrake.store.database import reading
from fleetbrake.store.entered import entries

pytestmark = [pytest.mark.browser, pytest.mark.slow]

VANS = [f"VH-V{number:02d}" for number in range(1, 13)]
MOST_CLICKS = 3
#: Pages that the other walks open.
WALKED = ("inspections", "vehicle", "event")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with recordings and a store that was ingested, scored and planned."""
    folder = tmp_path_factory.mktemp("walk")
    write_demo(folder, weeks=6, only=VANS)
    pipeline.ingest([folder / "recordings"], folder / "store", registers=folder / "registers")
    pipeline.score(folder / "store")
    pipeline.plan(folder / "store")
    return folder


@dataclass
class Walker:
    """A person at the screen who counts clicks."""

    page: Any
    address: str
    clicks: int = 0

    def opens(self, path: str = "") -> float:
        """Go to an address; seconds until the page has drawn itself."""
        begun = time.monotonic()
        self.page.goto(f"{self.address}/{path}")
        self.page.locator('[data-testid="stHeading"]').first.wait_for()  # before it begins nothing runs either
        self.at_rest()
        return time.monotonic() - begun

    def at_rest(self) -> None:
        """Wait until the page's script has run to its end and nothing that it draws is old."""
        self.page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for()
        self.page.wait_for_function("document.querySelectorAll('[data-stale=\"true\"]').length === 0")

    def click(self, locator: Any) -> None:
        self.clicks += 1
        locator.click()

    def choose(self, box: Any, option: str) -> None:
        """Open a list and take the option of that name; a page that is drawn meanwhile shuts the list again."""
        wanted = self.page.get_by_role("option", name=option, exact=True)
        for _ in range(6):
            self.at_rest()
            box.locator("input").first.click()
            try:
                wanted.wait_for(timeout=4000)
                break
            except PlaywrightTimeout:
                self.page.keyboard.press("Escape")
        wanted.click()

    def row(self, rank: int) -> Any:
        return self.page.locator(f".st-key-row_{rank}")

    def run(self, command: str, answer: str) -> None:
        """Press the button of a run and wait for its sentence: the run is a process of its own."""
        self.click(self.page.locator(f".st-key-run_{command} button"))
        self.page.get_by_text(answer).wait_for(timeout=2 * PATIENCE_S * 1000)
        self.at_rest()


@pytest.fixture(scope="module")
def address(fleet: Path) -> Iterator[str]:
    """The pages of the store; the walk that changes it is the last one of this file."""
    with served(fleet / "store", fleet / "server.log") as found:
        yield found


@pytest.fixture(scope="module")
def context(browser: Any) -> Iterator[Any]:
    """What a browser keeps of the files of the pages: compiled once."""
    kept = new_page(browser, 1440, 900).context
    yield kept
    kept.close()


@pytest.fixture
def looking(address: str, context: Any) -> Iterator[Walker]:
    """A window of its own: a session of its own for the server."""
    walker = Walker(context.new_page(), address)
    walker.page.set_default_timeout(PATIENCE_S * 1000)
    yield walker
    walker.page.close()


def ask(store: Path, sql: str, *given: object) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql, list(given)).fetchall()


def _standing(store: Path, vehicle: str) -> tuple[Any, ...]:
    (found,) = ask(
        store, "SELECT rank, priority, health_score, reason FROM vehicle_health WHERE vehicle_id = ?", vehicle
    )
    return found


def _time_axis(page: Any) -> list[float]:
    """Figures along the bottom axis of the replay."""
    groups = page.locator('[data-testid="stVegaLiteChart"]').first.evaluate(
        "chart => [...chart.querySelectorAll('.role-axis')].map(axis => "
        "[...axis.querySelectorAll('.role-axis-label text')].map(label => label.textContent))"
    )
    longest: list[str] = max(groups, key=len)
    return [float(label.replace("−", "-").replace(",", "")) for label in longest]


def test_from_the_list_to_the_worst_event_its_reason_and_into_its_time(looking: Walker, fleet: Path) -> None:
    """Who has never seen the tool reads the first row and follows its link: the reason stands beside it.

    There the wheel of the mouse leads further into the time.
    """
    ((vehicle, reason),) = ask(fleet / "store", "SELECT vehicle_id, reason FROM vehicle_health WHERE rank = 1")
    looking.opens()
    first = looking.row(1)
    first.get_by_text(reason, exact=True).wait_for()
    first.get_by_text(vehicle, exact=True).wait_for()
    box = first.bounding_box()
    assert box is not None and box["y"] + box["height"] < 900, "the worst vehicle is seen without scrolling"
    looking.click(first.get_by_text("Look at its most telling event"))
    looking.page.locator('[data-testid="stVegaLiteChart"]').first.wait_for()
    looking.at_rest()
    found = re.search(r"[?&]event=([^&]+)", looking.page.url)
    assert found and ask(fleet / "store", "SELECT vehicle_id FROM events WHERE event_id = ?", found[1]) == [(vehicle,)]
    print(f"clicks to the worst event: {looking.clicks}")
    assert looking.clicks <= MOST_CLICKS
    _zooms_by_the_wheel(looking)


def _zooms_by_the_wheel(looking: Walker) -> None:
    chart = looking.page.locator('[data-testid="stVegaLiteChart"]').first
    before = _time_axis(looking.page)
    speed = chart.get_by_text("Speed of the vehicle").bounding_box()
    assert speed is not None
    looking.page.mouse.move(speed["x"] + 400, speed["y"] + 120)
    looking.page.keyboard.down("Control")  # the wheel alone moves the page
    for _ in range(4):
        looking.page.mouse.wheel(0, -200)
    looking.page.keyboard.up("Control")
    end = time.monotonic() + PATIENCE_S  # the chart draws itself anew without a sign that could be waited for
    while (after := _time_axis(looking.page)) == before and time.monotonic() < end:
        looking.page.wait_for_timeout(50)
    assert max(after) - min(after) < 0.8 * (max(before) - min(before))


def test_the_filter_is_used_by_keyboard_alone_and_back_restores_it_and_the_event_before(
    looking: Walker, fleet: Path
) -> None:
    ((depot,),) = ask(fleet / "store", "SELECT depot FROM vehicle_health WHERE rank = 2")
    looking.opens("?list=first+25&units=us")
    _filter_by_keyboard(looking, fleet / "store", depot)
    _there_and_back(looking, depot, 2)


def _filter_by_keyboard(looking: Walker, store: Path, depot: str) -> None:
    sql = "SELECT DISTINCT depot FROM vehicle_health WHERE depot IS NOT NULL ORDER BY 1"
    depots = [name for (name,) in ask(store, sql)]
    looking.row(1).wait_for()
    page = looking.page
    assert _tabs_to(looking, "!!document.activeElement.closest('.st-key-depot')"), "Tab leads to the filter"
    page.keyboard.press("ArrowDown")
    page.get_by_role("option", name=depots[0]).wait_for()
    for _ in range(depots.index(depot) + 1):
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"[?&]depot="))
    looking.at_rest()
    assert [name for name in depots if f"depot={name}" in page.url] == [depot]
    shown = page.locator('[class*="st-key-row_"]').all_inner_texts()
    assert shown and all(depot in row for row in shown)


def _tabs_to(looking: Walker, there: str) -> bool:
    """Whether Tab leads to where the script ``there`` says yes: a page that is drawn meanwhile takes the focus away,
    and whoever sits before it begins again."""
    for _ in range(6):
        looking.at_rest()
        for _ in range(40):
            looking.page.keyboard.press("Tab")
            if looking.page.evaluate(there):
                return True
    return False


def _there_and_back(looking: Walker, depot: str, rank: int) -> None:
    listed = looking.page.url
    looking.row(rank).locator('[data-testid="stPageLink"] a').first.click()
    looking.page.wait_for_url(re.compile("/vehicle[?]vehicle="))
    looking.page.get_by_text("Look at its most telling event").first.click()
    looking.page.wait_for_url(re.compile("/event[?]event="))
    looking.page.get_by_text("Raw rows").wait_for()
    event = looking.page.url
    assert "units=us" in event and "depot" not in event
    looking.page.get_by_text(re.compile("event (before|after)")).first.click()
    looking.page.wait_for_function("old => location.href !== old", arg=event)
    assert "event=" in looking.page.url
    looking.at_rest()
    looking.page.go_back()
    shown = re.search("event=([^&]+)", event)
    assert shown and looking.page.url == event
    looking.page.get_by_text(shown[1], exact=True).wait_for()
    for heading in ("Vehicle", "Inspections"):
        looking.at_rest()  # the framework loses a step back that is taken while a page is being drawn
        looking.page.go_back()
        looking.page.get_by_role("heading", name=heading, exact=True).wait_for()
    assert looking.page.url == listed
    looking.page.locator(".st-key-depot").get_by_text(depot, exact=True).wait_for()
    assert looking.page.locator(".st-key-list input").input_value() == "first 25"


def test_every_other_page_opens_and_how_long_it_takes(looking: Walker) -> None:
    """Each by its address: the browser and the server begin anew with it."""
    for name in [name for name in PAGES if name not in WALKED]:
        seconds = looking.opens(name)
        print(f"{name}: opened in {seconds:.2f} s")
        assert looking.page.get_by_role("heading", name=name.capitalize(), exact=True).is_visible()
        assert looking.page.locator('[data-testid="stException"]').count() == 0


def test_fix_the_date_plan_enter_a_finding_and_see_the_score_move(looking: Walker, fleet: Path) -> None:
    _fix_a_date_and_plan(looking, fleet / "store")
    _enter_a_finding_and_score(looking, fleet / "store")


def _fix_a_date_and_plan(walker: Walker, store: Path) -> None:
    sql = "SELECT h.rank, h.vehicle_id, h.depot, p.planned_on FROM vehicle_health h JOIN inspection_plan p "
    sql += "USING (vehicle_id) WHERE h.priority = 'this_week' AND p.due_on > p.planned_on + 14 ORDER BY h.rank LIMIT 1"
    ((rank, vehicle, depot, planned),) = ask(store, sql)
    ((day,),) = ask(
        store,
        "SELECT max(day) FROM plan_days WHERE depot = ? AND bay_hours >= 4 AND day < ?::DATE + 5",
        depot,
        planned,
    )
    assert isinstance(day, date) and day != planned
    walker.opens()
    walker.click(walker.page.locator(f".st-key-do_fix_{rank} button"))
    panel = walker.page.locator(f".st-key-panel_{rank}")
    panel.locator('[data-testid="stSelectbox"] input').click()
    walker.page.get_by_role("option", name=re.compile(rf"{day:%a} {re.escape(look.day(day))}:")).click()
    panel.get_by_role("button", name="Fix the date").click()
    walker.page.get_by_text(f"{vehicle}: date fixed for {look.day(day)}").wait_for()
    assert [(e.vehicle_id, e.body.on) for e in entries(store, ("date_fixed",))] == [(vehicle, day)]  # type: ignore[attr-defined]
    walker.run("plan", "Planned:")
    assert ask(store, "SELECT planned_on, fixed FROM inspection_plan WHERE vehicle_id = ?", vehicle) == [(day, True)]
    walker.row(rank).get_by_text(f"planned {look.day(day)}").wait_for()


def _enter_a_finding_and_score(walker: Walker, store: Path) -> None:
    ((vehicle, indicator, wheel),) = ask(
        store, "SELECT vehicle_id, leading_indicator, suspect_wheel FROM vehicle_health WHERE rank = 1"
    )
    before = _standing(store, vehicle)
    walker.click(walker.page.locator(".st-key-do_findings_1 button"))
    panel = walker.page.locator(".st-key-panel_1")
    for key, option in (
        ("wheel", wheel_words(wheel)),
        ("what", INDICATORS[indicator]),
        ("grave", "major"),
        ("work", "caliper or actuator repaired"),
    ):
        walker.choose(panel.locator(f".st-key-{key}_1_0"), option)
        walker.at_rest()
    panel.locator(".st-key-enter_1 button").click()
    walker.page.get_by_text(f"{vehicle}: 1 finding(s)").wait_for()
    assert [entry.kind for entry in entries(store, vehicle_id=vehicle) if entry.kind in ("finding", "work")] == [
        "finding",
        "work",
    ]
    walker.run("score", "Scored as of")
    after = _standing(store, vehicle)
    print(f"{vehicle}: {before[:3]} -> {after[:3]}: {after[3]}")
    assert after[:3] != before[:3] and after[1] != "before_next_trip"
    ((first, reason),) = ask(store, "SELECT vehicle_id, reason FROM vehicle_health WHERE rank = 1")
    assert first != vehicle
    walker.row(1).get_by_text(reason, exact=True).wait_for()
    assert vehicle not in walker.row(1).inner_text()
