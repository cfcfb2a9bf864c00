"""Signing in for real: an OpenID provider's process, the pages' own command, a headless browser for each person."""

import json
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from a_few import a_few
from builders import PLAIN, build_store
from serving import PATIENCE_S, free_port, new_page, running, served

from dashboards.sign_in import LOOKS_AGAIN_S
from fleetbrake.access.caller import NO_ROLE, SIGN_IN_FIRST
from fleetbrake.access.roles import PAGES, Role, Viewer

pytestmark = [pytest.mark.browser]

_REFUSED = "This page is not for your role"
#: Person (the provider's subject) -> claims. All of them are invented.
PEOPLE: dict[str, dict[str, Any]] = {
    "one-planner": {"name": "Planner One", "groups": ["workshop"]},
    "one-safety": {"email": "SAFETY@example.org", "email_verified": True},
    "one-analyst": {"groups": ["office", "canteen"]},
    "one-admin": {"name": "<b>Admin</b> [x](http://example.org)"},
    "one-stranger": {"email": "safety@example.org", "email_verified": False, "groups": ["canteen"]},
}
ROLES = {
    "one-planner": Role.PLANNER,
    "one-safety": Role.SAFETY,
    "one-analyst": Role.ANALYST,
    "one-admin": Role.ADMIN,
}


@dataclass(frozen=True)
class Site:
    """The pages behind a sign-in, and what their server said so far."""

    address: str
    browser: Any
    log: Path
    secrets: tuple[str, ...]


@pytest.fixture(scope="module")
def site(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Provider, pages and browser for all tests of this file: starting them takes longest."""
    folder = tmp_path_factory.mktemp("sign-in")
    store = build_store(folder / "store")
    provider, port = free_port(), free_port()
    # the provider says "localhost" in its addresses, as a browser asked it
    users = [f"--user-claims={json.dumps({'sub': sub, **claims})}" for sub, claims in PEOPLE.items()]
    command = [sys.executable, "-m", "oidc_provider_mock", f"--port={provider}", *users]
    metadata = f"http://127.0.0.1:{provider}/.well-known/openid-configuration"
    secrets = ("Zm9yLXRlc3RzLW9ubHktMDEyMzQ1Njc4OWFi", "hushed-client-secret")
    with (
        running(command, folder / "provider.log", metadata),
        served(store, folder / "pages.log", "--sign-in", str(_file(folder, metadata, port, secrets)), port=port) as at,
    ):
        yield Site(at, browser, folder / "pages.log", secrets)


def _file(folder: Path, metadata: str, port: int, secrets: tuple[str, str]) -> Path:
    path = folder / "sign-in.toml"
    path.write_text(
        f"""
        [auth]
        redirect_uri = "http://127.0.0.1:{{port}}/oauth2callback"
        cookie_secret = "{secrets[0]}"
        client_id = "fleetbrake-test"
        client_secret = "{secrets[1]}"
        server_metadata_url = "{metadata}"
        [roles]
        claim = "groups"
        [roles.by_claim]
        workshop = ["planner"]
        office = ["analyst"]
        [roles.by_email]
        "safety@example.org" = ["safety"]
        [roles.by_subject]
        one-admin = ["admin"]
        """,
        encoding="utf-8",
    )
    path.chmod(0o600)
    return path


def _signed_in(site: Site, person: str) -> Any:
    page = new_page(site.browser)
    page.goto(site.address)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name=person, exact=True).click()
    page.get_by_role("button", name="Sign out").wait_for()
    return page


@pytest.fixture(scope="module")
def people(site: Site) -> Iterator[Callable[[str], Any]]:
    """The page of a person who stays signed in, for all tests that leave her so."""
    pages: dict[str, Any] = {}

    def page_of(person: str) -> Any:
        if person not in pages:
            pages[person] = _signed_in(site, person)
        return pages[person]

    yield page_of
    for page in pages.values():
        page.context.close()


def _text(page: Any) -> str:
    return str(page.locator("body").inner_text())


def _at(page: Any, site: Site, view: str) -> str:
    """All the text of a page once it is drawn: its title, and nothing running any more."""
    page.goto(f"{site.address}/{view}")
    page.get_by_role("heading", name=view.capitalize(), exact=True).wait_for()
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for()
    return _text(page)


def test_without_a_sign_in_every_address_is_the_door(site: Site) -> None:
    page = new_page(site.browser)
    for view in ("", "drivers"):
        page.goto(f"{site.address}/{view}")
        page.get_by_role("button", name="Sign in").wait_for()
        text = _text(page)
        assert SIGN_IN_FIRST in text, view
        assert not re.search("|".join([*PLAIN.vehicles, *PLAIN.drivers, "Inspections", "Drivers", "not found"]), text)
    page.context.close()


@pytest.mark.parametrize("person", a_few(["one-planner", "one-admin"], 0))  # all without a browser: tests/faults
def test_each_role_reaches_its_pages_and_no_other(site: Site, people: Callable[[str], Any], person: str) -> None:
    one = Viewer(person, frozenset({ROLES[person]}))
    page = people(person)  # just signed in, where that leads
    assert ROLES[person].value in _text(page)
    entries = page.get_by_test_id("stTopNavLink").all_inner_texts() or page.get_by_role("link").all_inner_texts()
    assert [e.strip() for e in entries if e.strip().lower() in PAGES] == [
        view.capitalize() for view in PAGES if one.may_open(view)
    ]
    # every page for every role is in tests/dashboards and tests/faults; here one that is refused, and one that is not
    for view in [*[v for v in PAGES if not one.may_open(v)][:1], [v for v in PAGES if one.may_open(v)][-1]]:
        text = _at(page, site, view)
        assert (_REFUSED in text) != one.may_open(view), view
        if not one.may_open(view):
            assert not re.search("|".join([*PLAIN.vehicles, *PLAIN.drivers]), text), view


def test_a_signed_in_person_without_a_role_sees_nothing_but_a_way_out(site: Site) -> None:
    page = _signed_in(site, "one-stranger")
    for view in (None, "drivers"):  # where the sign-in led, and a page asked for
        if view:
            page.goto(f"{site.address}/{view}")
            page.get_by_role("button", name="Sign out").wait_for()
        page.get_by_text(NO_ROLE).wait_for()
        assert not re.search("|".join(PLAIN.vehicles), _text(page))
    page.context.close()


def test_a_name_from_outside_is_text(site: Site, people: Callable[[str], Any]) -> None:
    page = people("one-admin")
    assert "<b>Admin</b> [x](http://example.org)" in _text(page).replace("\u2060", "")
    origins = page.evaluate("[...document.links].map(link => link.origin)")
    assert set(origins) <= {site.address}


def test_signing_out_ends_it_and_a_page_left_open_without_a_click(site: Site) -> None:
    """What a page in another tab asks by itself every half minute is brought forward by its clock."""
    page = _signed_in(site, "one-safety")
    left_open = page.context.new_page()
    left_open.clock.install()
    left_open.goto(f"{site.address}/drivers")
    left_open.get_by_role("button", name="Sign out").wait_for()
    page.get_by_role("button", name="Sign out").click()
    # the provider asks whether to end its own session, then sends back
    page.wait_for_url("**/oauth2/end_session**")
    page.get_by_role("button").first.click()
    page.get_by_role("button", name="Sign in").wait_for()
    page.goto(f"{site.address}/drivers")
    page.get_by_role("button", name="Sign in").wait_for()
    assert not re.search("|".join(PLAIN.drivers), _text(page))
    assert not [c for c in page.context.cookies() if c["name"].startswith("_streamlit_user") and c["value"]]
    left_open.clock.fast_forward(LOOKS_AGAIN_S * 1000 + 500)
    left_open.get_by_role("button", name="Sign in").wait_for()
    assert not re.search("|".join(PLAIN.drivers), _text(left_open))
    page.context.close()


def test_a_cookie_that_was_changed_lets_nobody_in(site: Site, people: Callable[[str], Any]) -> None:
    page = people("one-planner")
    cookie = next(c for c in page.context.cookies() if c["name"] == "_streamlit_user")
    assert cookie["httpOnly"] and cookie["sameSite"] == "Lax"
    for changed in (_with_other_letter(cookie["value"], 20), _with_other_letter(cookie["value"], -5)):
        page.context.add_cookies([{**cookie, "value": changed}])
        page.goto(f"{site.address}/vehicle")
        page.get_by_role("button", name="Sign in").wait_for()
        assert not re.search("|".join(PLAIN.vehicles), _text(page))
    page.context.add_cookies([cookie])  # it was the change that locked the door
    _at(page, site, "inspections")
    page.get_by_text(PLAIN.vehicles[0]).first.wait_for()  # pieces of a row are drawn as the browser has loaded them
    assert "not found" not in _text(page)


def _with_other_letter(value: str, at: int) -> str:
    letters = list(value)
    letters[at] = "A" if letters[at] != "A" else "B"
    return "".join(letters)


def test_nothing_secret_is_in_the_log(site: Site) -> None:
    log = site.log.read_text(encoding="utf-8")
    assert "Pages at" in log and not [secret for secret in site.secrets if secret in log]
    assert "Traceback" not in log


def test_a_role_that_is_taken_away_is_gone_with_the_next_run(site: Site, people: Callable[[str], Any]) -> None:
    file = site.log.parent / "sign-in.toml"
    whole = file.read_text(encoding="utf-8")
    page = people("one-admin")
    try:
        file.write_text(whole.replace('one-admin = ["admin"]', 'one-other = ["admin"]'), encoding="utf-8")
        os.utime(file, (time.time() + 2, time.time() + 2))
        page.goto(f"{site.address}/inspections")
        page.get_by_text(NO_ROLE).wait_for()
    finally:
        file.write_text(whole, encoding="utf-8")


@pytest.mark.long  # the same is held through bare web sockets: faults/test_doors_ends
def test_a_file_that_was_broken_is_forgotten_without_a_click(site: Site, people: Callable[[str], Any]) -> None:
    """Who was thrown out meanwhile is back by himself; what a page asks every half minute is brought forward."""
    file = site.log.parent / "sign-in.toml"
    whole = file.read_text(encoding="utf-8")
    page = people("one-planner").context.new_page()
    page.set_default_timeout(PATIENCE_S * 1000)
    page.clock.install()
    page.goto(f"{site.address}/inspections")
    page.get_by_role("button", name="Sign out").wait_for()
    try:
        file.write_text(f"{whole}\n[broken", encoding="utf-8")
        page.wait_for_timeout(1_500)  # for a second it is taken for being written
        page.clock.fast_forward(LOOKS_AGAIN_S * 1000 + 500)
        page.get_by_text("not set up rightly").wait_for()
    finally:
        file.write_text(whole, encoding="utf-8")
    page.clock.fast_forward(LOOKS_AGAIN_S * 1000 + 500)
    page.get_by_role("button", name="Sign out").wait_for()
    page.close()
