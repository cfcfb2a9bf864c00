"""What web sockets give to whom, tried on a real server without a browser that would keep to the rules."""

import time

import pytest
from builders import PLAIN
from faults import doors_trials
from faults.doors_site import FLEET, REFUSED, ROLES, Site, nothing_secret_in_the_log, raw
from faults.doors_speaker import Drawn, Speaker
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.exceptions import InvalidHandshake

from fleetbrake.access.caller import LONGEST_HOURS, SIGN_IN_FIRST
from fleetbrake.access.gate import MOST_OUTSIDE
from fleetbrake.access.open_page import LONGEST_MESSAGE
from fleetbrake.access.roles import PAGES, Viewer
from fleetbrake.store.entered import entries

#: Messages that one page before the door sends at once, and how long others wait then (s): as people do, and browsers.
_FLOOD = 300
_PATIENCE_S = 20.0


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example.org"},
        {"Origin": "http://localhost:3000"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1"},
        {"Host": "evil.example.org"},
    ],
)
def test_a_page_of_another_site_opens_no_web_socket(site: Site, headers: dict[str, str]) -> None:
    with pytest.raises(InvalidHandshake):
        Speaker(site.at, site.cookie("one-admin"), **headers)


def test_a_web_socket_without_an_origin_is_opened_by_nobody(site: Site) -> None:
    status, _, _ = raw(
        site.port, "GET /_stcore/stream HTTP/1.1", "Upgrade: websocket", "Connection: Upgrade",
        "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        f"Cookie: {site.cookie('one-admin')}",
    )  # fmt: skip
    assert status == 403


@pytest.mark.parametrize("person", list(ROLES))
def test_each_role_is_given_its_pages_however_it_asks(site: Site, shown: Drawn, person: str) -> None:
    """By address and by the framework's own name of a page, with and without the page before it."""
    one = Viewer(person, frozenset({ROLES[person]}))
    for page in (page for page in PAGES if not one.may_open(page)):
        with site.speaker(person) as speaker:
            ways = [speaker.rerun(page), speaker.rerun(script=shown.pages[page])]
            ways.append(speaker.rerun("inspections", script=shown.pages[page]))
        for drawn in ways:
            assert drawn.messages, page
        assert ways[0].holds(REFUSED) and ways[1].holds(REFUSED), page
        assert not ways[0].holds(*FLEET) and not ways[1].holds(*FLEET), page
        assert ways[2].holds(REFUSED) or ways[2].holds(PLAIN.vehicles[0]), "one of the two, not a mixture"
        assert not ways[2].holds(*PLAIN.drivers)


@pytest.mark.parametrize("told", [{}, {"token": False}], ids=["nobody", "without the token"])
def test_before_the_door_no_page_and_no_widget_gives_anything(site: Site, shown: Drawn, told: dict[str, bool]) -> None:
    cookie = site.cookie("one-admin") if told else ""  # another site's page could send it, but not read the token
    pressed = [WidgetState(id=found, trigger_value=True) for found in shown.widgets]
    with Speaker(site.at, cookie, **told) as speaker:
        ways = [speaker.rerun("vehicle", states=pressed)]
        ways += [speaker.rerun(script=shown.pages[page]) for page in (PAGES if not told else ("drivers",)) if page]
        ways += [speaker.rerun(page, "vehicle=x") for page in ("vehicle", "drivers")]
    for drawn in ways:
        assert drawn.holds(SIGN_IN_FIRST) and not drawn.holds(*FLEET)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"age_s": LONGEST_HOURS * 3600 + 5},
        {"age_s": -4000.0},
        {"iat": None},
        {"origin": "https://other.example.org"},
        {"secret": "another-secret-another-secret-1234"},
        {"is_logged_in": "yes"},
    ],
)
def test_a_cookie_that_is_not_right_now_lets_nobody_in(site: Site, spoilt: dict[str, object]) -> None:
    with site.speaker("one-admin", **spoilt) as speaker:
        drawn = speaker.rerun("vehicle")
    assert drawn.messages and not drawn.holds(*FLEET)


def test_whoever_may_only_look_presses_buttons_in_vain(site: Site, shown: Drawn) -> None:
    """What a planner is shown to act with, pressed at once and one by one by somebody who may look only."""
    doing = [button for button in shown.widgets if "-do_" in button or "-run_" in button]
    assert len(doing) > 10
    before = entries(site.store), sorted(path.name for path in site.store.iterdir())
    with site.speaker("one-analyst") as speaker:
        speaker.rerun()
        every = speaker.rerun(states=[WidgetState(id=button, trigger_value=True) for button in doing])
        assert every.holds(PLAIN.vehicles[0]) and not every.holds("FormSubmitter")
        for button in (doing[0], next(button for button in doing if "-run_" in button)):
            drawn = speaker.rerun(states=[WidgetState(id=button, trigger_value=True)])
            assert drawn.messages and not drawn.holds("FormSubmitter"), button
    assert (entries(site.store), sorted(path.name for path in site.store.iterdir())) == before
    with site.speaker("one-planner") as speaker:  # the same message opens a form where somebody may act
        fix = next(button for button in doing if "-do_fix_" in button)
        speaker.rerun()
        assert speaker.rerun(states=[WidgetState(id=fix, trigger_value=True)]).holds("FormSubmitter")


@pytest.mark.parametrize("person", ["", "one-admin"])
def test_what_developers_ask_the_framework_for_is_not_asked(site: Site, person: str) -> None:
    """Version control's state, emptying what is kept for all, writing into the program's folder: nobody's business."""
    with site.speaker(person) as speaker:
        speaker.rerun()
        for message in (BackMsg(load_git_info=True), BackMsg(clear_cache=True), BackMsg(set_run_on_save=True),
                        BackMsg(debug_shutdown_runtime=True), b"\xff" * 40):  # fmt: skip
            speaker.say(message)
        writing = speaker.operate("install_skills", patience_s=0.5)
        drawn = speaker.rerun("vehicle")
    assert drawn.messages[-1].WhichOneof("type") == "script_finished", "it goes on"
    for answer in (writing, drawn):
        assert not answer.of("git_info_changed") and not answer.of("backend_operation_response")
        assert not [state for state in answer.of("session_status_changed") if state.run_on_save]


def test_a_message_that_no_page_sends_ends_its_connection_alone(site: Site) -> None:
    with site.speaker("one-planner") as other:
        for message in (b"x" * (LONGEST_MESSAGE + 1), "text"):
            with site.speaker() as speaker:
                speaker.say(message)
                assert not speaker.heard().messages and speaker.closed
        assert other.rerun().holds(PLAIN.vehicles[0])


def test_a_crowd_before_the_door_is_bounded_and_shuts_nobody_out(site: Site) -> None:
    crowd: list[Speaker] = []
    try:
        with pytest.raises(InvalidHandshake):
            for _ in range(MOST_OUTSIDE + 20):
                crowd.append(Speaker(site.at, token=False))
        assert MOST_OUTSIDE - 5 <= len(crowd) <= MOST_OUTSIDE
        with site.speaker("one-planner") as speaker:
            assert speaker.rerun().holds(PLAIN.vehicles[0])
    finally:
        for one in crowd:
            one.close()
    assert "pages are open already" in site.log.read_text(encoding="utf-8")


def test_one_before_the_door_does_not_keep_the_server_from_the_others(site: Site) -> None:
    """Each message has a page drawn, and costs the sender some bytes. They are all sent before the others ask."""
    message = BackMsg()
    message.rerun_script.page_name = "vehicle"
    with site.speaker("one-planner") as inside, site.speaker() as flood, site.speaker() as second:
        inside.rerun()
        for speaker in (flood, second):
            for _ in range(_FLOOD):
                speaker.say(message)
        time.sleep(1.0)  # until the server is at it
        assert raw(site.port, "GET /_stcore/health HTTP/1.1", patience_s=_PATIENCE_S)[0] == 200
        inside.say(message)
        assert inside.heard(patience_s=_PATIENCE_S).holds(PLAIN.vehicles[0]) and not inside.closed


def test_messages_at_random(site: Site) -> None:
    """The short form of what ``long_form.py doors`` does by thousands."""
    tally = doors_trials.messages(site, 20261, 48)
    assert tally.trials == 48 and not tally.failures, "\n".join(tally.failures[:20])
    assert tally.parts["files given to one-analyst"] and tally.parts["files given to one-safety"], "else none was tried"


def test_all_that_left_nothing_secret_behind(site: Site) -> None:
    nothing_secret_in_the_log(site)
