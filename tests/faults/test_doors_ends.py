"""How sign-ins and roles end: in every tab, for copies of a cookie, and for what was asked for just before."""

import os
import time
from collections.abc import Callable

import pytest
from builders import PLAIN
from faults.doors_site import FLEET, Site, nothing_secret_in_the_log
from faults.doors_speaker import COOKIE_SECRET, Drawn, Speaker, asked
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState

from fleetbrake.access.caller import LONGEST_HOURS, SIGN_IN_FIRST, TOO_LONG_AGO
from fleetbrake.access.server_log import LONGEST_STORY


def _looking_again(drawn: Drawn) -> str:
    """The part of a page that asks by itself whether it may still be seen."""
    (again,) = drawn.of("auto_rerun")
    assert again.interval == 30.0
    return str(again.fragment_id)


def _is_closed(speaker: Speaker, fragment: str) -> bool:
    """Whether the page that a browser left open is ended once it asks, and is told nothing: the browser opens it anew
    and asks for the whole page then."""
    drawn = speaker.rerun(fragment=fragment)
    return speaker.closed and not drawn.of("delta")


def test_signing_out_ends_every_tab_and_every_copy_of_the_cookie(site: Site) -> None:
    cookie, later = site.cookie("one-safety", age_s=300.0), site.cookie("one-safety", age_s=200.0)
    with Speaker(site.at, cookie) as tab, Speaker(site.at, cookie) as asking, Speaker(site.at, later) as elsewhere:
        drawn = tab.rerun("drivers")
        fragment, other = _looking_again(drawn), _looking_again(elsewhere.rerun("drivers"))
        (url,) = tab.operate("deferred_file", file_id=drawn.later[0]).files
        assert asked(site.at, url, Cookie=cookie)[0] == 200
        assert asked(site.at, "/auth/logout", Cookie=cookie, Sec_Fetch_Site="cross-site")[0] == 403
        assert asking.rerun("drivers").holds(PLAIN.drivers[0]), "another site's link signs nobody out"
        assert asked(site.at, "/auth/logout", Cookie=cookie)[0] in (302, 303, 307)
        assert _is_closed(tab, fragment) and not asking.rerun("drivers").of("delta")
        assert not elsewhere.rerun(fragment=other).holds(SIGN_IN_FIRST), "another machine's sign-in goes on"
        assert asked(site.at, url, Cookie=cookie)[0] == 403
    with Speaker(site.at, cookie, goes_on=tab.session) as again:
        drawn = again.rerun("drivers")
        assert drawn.holds(SIGN_IN_FIRST) and not drawn.holds(*FLEET) and again.session != tab.session


def test_a_key_that_was_changed_ends_all_cookies_of_before(site: Site) -> None:
    """As after a cookie was stolen; also where the file was broken once, and the new one is said to be of long ago."""
    old, key = site.cookie("one-planner"), COOKIE_SECRET[::-1]
    with site.changed(lambda text: text + "\nbroken"):
        time.sleep(1.5)
    with Speaker(site.at, old) as left_open, site.changed(lambda text: text.replace(COOKIE_SECRET, key)):
        os.utime(site.file, (0, 0))
        time.sleep(1.0)
        assert not left_open.rerun("inspections").holds(*FLEET)
        with Speaker(site.at, old) as before, Speaker(site.at, site.cookie("one-planner", secret=key)) as now:
            assert before.rerun("inspections").holds(SIGN_IN_FIRST)
            assert now.rerun("inspections").holds(PLAIN.vehicles[0])
    with Speaker(site.at, old) as again:
        assert again.rerun("inspections").holds(PLAIN.vehicles[0])


def test_what_is_written_to_the_log_for_whoever_is_before_the_door(site: Site) -> None:
    """No text of theirs, and little of ours: neither lines of their own nor a full disk."""
    before = site.log.stat().st_size
    with site.speaker() as outside:
        for text in ("x" * 60_000, "a\n2026-11-25 FORGED: admin signed in\x1b[2J"):
            asked_for = BackMsg()
            asked_for.rerun_script.fragment_id = text
            outside.say(asked_for)
    for _ in range(200):
        asked(site.at, "/oauth2callback?code=y&state=z")
    said = site.log.read_text(encoding="utf-8")[before:]
    assert "FORGED" not in said and "xxxx" not in said and len(said) < 4_000


def test_a_page_that_fails_is_in_the_log_once_and_steers_no_terminal(site: Site) -> None:
    """Anybody before the door can make it fail, by a button's value that is none, as often as he likes."""
    with site.speaker() as outside:
        value = WidgetState(id=outside.rerun().widgets[0], json_value="none")
        before = site.log.stat().st_size
        for _ in range(3):
            assert outside.rerun(states=[value]).of("script_finished"), "else it did not fail three times"
    said = site.log.read_text(encoding="utf-8")[before:]
    assert said.count("Uncaught app execution") == 1 and said.count("Traceback") == 1
    assert "\x1b" not in said and len(said) < 2 * LONGEST_STORY


def test_parts_of_a_page_that_are_gone_hold_up_no_other_page_of_the_person(site: Site) -> None:
    """No end of their run is ever told."""
    with (
        site.speaker("one-planner") as first,
        site.speaker("one-planner") as second,
        site.speaker("one-planner") as third,
    ):
        for speaker in (first, second):
            speaker.rerun("inspections")
            for _ in range(3):
                gone = BackMsg()
                gone.rerun_script.fragment_id = "ab" * 16
                speaker.say(gone)
        whole = BackMsg()
        whole.rerun_script.page_name = "inspections"
        third.say(whole)
        assert third.heard(patience_s=20.0).holds(PLAIN.vehicles[0]), "before a place that is held falls free by itself"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text.replace("workshop =", "nobody ="), "nobody has given you a role"),
        (lambda text: text.replace('workshop = ["planner"]', 'workshop = ["safety"]'), "safety"),
        (lambda text: text + "\nbroken", "not set up rightly"),
    ],
    ids=["removed", "another role", "a broken file lets nobody in"],
)
def test_a_changed_file_reaches_a_page_left_open(site: Site, change: Callable[[str], str], said: str) -> None:
    with site.speaker("one-planner") as speaker:
        fragment = _looking_again(speaker.rerun())
        with site.changed(change):
            if said.startswith("not set up"):
                time.sleep(1.2)  # a file is taken for being written for a second
            assert _is_closed(speaker, fragment)
            with Speaker(site.at, site.cookie("one-planner"), goes_on=speaker.session) as again:
                assert again.rerun().holds(said) and again.session != speaker.session


@pytest.mark.parametrize("person", ["one-planner", ""])
def test_a_door_that_nothing_can_be_pressed_at_looks_again_by_itself(site: Site, person: str) -> None:
    """A broken file that was mended: who was let in is so again, and who was not may sign in."""
    cookie = site.cookie(person, age_s=900.0) if person else ""
    with site.changed(lambda text: text + "\nbroken"):
        time.sleep(1.2)  # a file is taken for being written for a second
        speaker = Speaker(site.at, cookie)
        drawn = speaker.rerun()
        assert drawn.holds("not set up rightly") and not drawn.holds(*FLEET)
    with speaker:
        if person:
            assert _is_closed(speaker, _looking_again(drawn))
        else:
            assert speaker.rerun(fragment=_looking_again(drawn)).holds(SIGN_IN_FIRST)
    with Speaker(site.at, cookie) as again:
        assert again.rerun().holds(PLAIN.vehicles[0] if person else SIGN_IN_FIRST)


def test_an_open_page_is_gone_on_with_by_whom_it_was_drawn_for_alone(site: Site) -> None:
    """A browser whose connection broke goes on with its page; nobody else does, whoever names it."""
    cookie = site.cookie("one-planner", age_s=1000.0)
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
    with Speaker(site.at, cookie, goes_on=speaker.session) as again:
        again.rerun()
        assert again.session == speaker.session
    for other in (site.cookie("one-admin"), site.cookie("one-planner", groups=["safety"], age_s=1000.0), ""):
        with Speaker(site.at, other, goes_on=speaker.session) as stranger:
            stranger.rerun()
            assert stranger.session not in ("", speaker.session)


# --- asked for before, made after ------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", ["analyst", "nobody", "signed out"])
def test_what_is_still_being_made_when_a_role_is_lost_reaches_nobody(site: Site, change: str) -> None:
    """Setting a driver's sheet takes a while, known from the time before: the role is lost in the middle of it."""
    cookie = site.cookie("one-safety", age_s=500.0 + len(change))
    with Speaker(site.at, cookie) as speaker:
        sheet = speaker.rerun("drivers").later[0]
        speaker.operate("deferred_file", file_id=sheet)
        began = time.monotonic()
        (before,) = speaker.operate("deferred_file", file_id=sheet).files
        took = time.monotonic() - began
        assert asked(site.at, before, Cookie=cookie)[0] == 200, "else nothing was tried"
        speaker.ask("deferred_file", file_id=sheet)
        time.sleep(took / 3)
        if change == "signed out":
            asked(site.at, "/auth/logout", Cookie=cookie)
            _given_to_nobody(site, speaker, cookie, before)
            return
        with site.changed(lambda text: _without_safety(text, change)):
            _given_to_nobody(site, speaker, cookie, before)
    assert asked(site.at, before, Cookie=cookie)[0] == 200, "back in the role that it was made for"


def _without_safety(text: str, instead: str) -> str:
    if instead == "nobody":
        return text.replace("safety = [", "nobody = [")
    return text.replace('safety = ["safety"]', f'safety = ["{instead}"]')


def _given_to_nobody(site: Site, speaker: Speaker, cookie: str, before: str) -> None:
    late = speaker.heard("backend_operation_response", patience_s=5.0)
    with Speaker(site.at, cookie, goes_on=speaker.session) as again:
        drawn = again.heard("backend_operation_response", patience_s=1.0)
    for url in (before, *late.files, *drawn.files):
        assert asked(site.at, url, Cookie=cookie)[0] == 403
    assert not drawn.files, "what comes late does not come to the page opened anew"


def test_what_was_to_be_made_in_one_role_is_not_made_in_another(site: Site) -> None:
    """The file makes a safety manager an analyst while his page is open: what it offered named drivers."""
    cookie = site.cookie("one-safety", age_s=700.0)
    with Speaker(site.at, cookie) as speaker:
        wanted = speaker.rerun("drivers").later[0]
        with site.in_other_roles("safety", "analyst"):
            assert not speaker.operate("deferred_file", file_id=wanted, patience_s=10.0).files
            with Speaker(site.at, cookie, goes_on=speaker.session) as again:
                mine = again.rerun("drivers").later[0]
                assert not again.operate("deferred_file", file_id=wanted, patience_s=0.5).files
                assert again.operate("deferred_file", file_id=mine).files


def test_a_file_is_not_made_for_whoever_has_left(site: Site) -> None:
    cookie = site.cookie("one-analyst", age_s=600.0)
    with Speaker(site.at, cookie) as speaker:
        wanted = speaker.rerun().later[0]
        assert speaker.operate("deferred_file", file_id=wanted).files
        asked(site.at, "/auth/logout", Cookie=cookie)
        assert not speaker.operate("deferred_file", file_id=wanted, patience_s=10.0).files
    with site.speaker() as nobody:
        nobody.rerun()
        assert not nobody.operate("deferred_file", file_id=wanted, patience_s=0.5).files


def test_too_long_ago_is_said(site: Site) -> None:
    with site.speaker("one-planner", age_s=LONGEST_HOURS * 3600 + 60) as speaker:
        assert speaker.rerun().holds(TOO_LONG_AGO.partition(".")[0])


def test_all_that_left_nothing_secret_behind(site: Site) -> None:
    nothing_secret_in_the_log(site)
