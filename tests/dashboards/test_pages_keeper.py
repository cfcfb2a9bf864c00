"""What the gate is told of the framework's messages: which of them have something drawn or made, and which end that."""

import sys
from pathlib import Path
from typing import Any

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
from keeper import PagesKeeper

from fleetbrake.access.caller import Caller
from fleetbrake.access.roles import LOCAL_USER, NOBODY

INSIDE = Caller(LOCAL_USER)


@pytest.fixture
def keeper(monkeypatch: pytest.MonkeyPatch) -> PagesKeeper:
    monkeypatch.delenv("FLEETBRAKE_SIGN_IN", raising=False)
    return PagesKeeper()


def _asks(payload: str, request_id: str = "r") -> bytes:
    message = BackMsg()
    message.backend_operation_request.request_id = request_id
    getattr(message.backend_operation_request, payload).SetInParent()
    return message.SerializeToString()


def _draws(**told: str) -> bytes:
    message = BackMsg()
    message.rerun_script.SetInParent()
    for name, value in told.items():
        setattr(message.rerun_script, name, value)
    return message.SerializeToString()


def _answer(request_id: str, **told: str) -> bytes:
    message = ForwardMsg()
    message.backend_operation_response.request_id = request_id
    for name, value in told.items():
        if name == "error_msg":
            message.backend_operation_response.error_msg = value
        else:
            getattr(message.backend_operation_response, name).SetInParent()
    return message.SerializeToString()


@pytest.mark.parametrize(
    ("message", "is_work", "answered_as"),
    [
        (_draws(), True, ""),
        (_draws(page_name="vehicle", query_string="vehicle=x"), True, ""),
        (_draws(fragment_id="ab" * 16), False, ""),
        (_asks("deferred_file", "f-1"), True, "f-1"),
        (_asks("dataframe_chunk", "f-1"), False, "f-1"),
        (BackMsg(stop_script=True).SerializeToString(), False, ""),
        (BackMsg(app_heartbeat=True).SerializeToString(), False, ""),
    ],
)
def test_what_has_something_drawn_or_made(keeper: PagesKeeper, message: bytes, is_work: bool, answered_as: str) -> None:
    assert keeper.passes(message, INSIDE)
    assert keeper.is_work(message) is is_work and keeper.answered_as(message) == answered_as


def _by_itself(fragment: str, by_a_clock: bool = True) -> bytes:
    message = BackMsg()
    message.rerun_script.fragment_id, message.rerun_script.is_auto_rerun = fragment, by_a_clock
    message.rerun_script.widget_states.widgets.add(id="w", bool_value=True)
    return message.SerializeToString()


@pytest.mark.parametrize(
    ("message", "look"),
    [
        (_by_itself("ab" * 16), "ab" * 16),
        (_by_itself("ab" * 16, by_a_clock=False), None),
        (_by_itself(""), None),
        (_by_itself("ab\n"), None),
        (_by_itself("a" * 65), None),
        (_by_itself("x" * 60_000), None),
        (_draws(page_name="vehicle"), None),
        (_asks("dataframe_chunk"), None),
        (BackMsg(app_heartbeat=True).SerializeToString(), None),
        (b"\xff" * 40, None),
        (b"", None),
    ],
)
def test_which_parts_of_a_page_look_by_themselves(keeper: PagesKeeper, message: bytes, look: str | None) -> None:
    """It is asked of whatever comes, before anything has passed."""
    assert keeper.look(message) == look


def _ends() -> list[tuple[bytes, str | None]]:
    """Messages of the framework, and what they are the end of."""
    whole = {ForwardMsg.FINISHED_SUCCESSFULLY, ForwardMsg.FINISHED_WITH_COMPILE_ERROR}
    finished: list[Any] = [
        (ForwardMsg(script_finished=how).SerializeToString(), "" if how in whole else None)
        for how in ForwardMsg.ScriptFinishedStatus.values()
    ]
    assert len(finished) >= 4, "else none of the others is asked about"
    return [
        *finished,
        (_answer("f-1", deferred_file=""), "f-1"),
        (_answer("f-1", error_msg="Failed to generate file for download"), "f-1"),
        (_answer("f-1", dataframe_chunk=""), None),
        (_answer("", error_msg="x"), None),
        (ForwardMsg(new_session={}).SerializeToString(), None),
        (b"\xff" * 40, None),
        (b"", None),
    ]


@pytest.mark.parametrize(("message", "done"), _ends())
def test_what_is_the_end_of_what(keeper: PagesKeeper, message: bytes, done: str | None) -> None:
    """A page that the next one breaks off, a part of a page, and rows of a table are no end of anything."""
    assert keeper.done(message) == done


@pytest.mark.parametrize("payload", ["deferred_file", "dataframe_chunk"])
def test_a_question_has_a_short_name_of_its_own(keeper: PagesKeeper, payload: str) -> None:
    """It comes back in the answer, which would be too long to be looked at: the place would be held until its time."""
    for length, passes in ((0, False), (1, True), (36, True), (64, True), (65, False), (5_000, False)):
        assert keeper.passes(_asks(payload, "é" * length), INSIDE) is passes
    assert not keeper.passes(_asks(payload), Caller(NOBODY))
    longest = _answer("é" * 64, error_msg="Invalid session ID for backend operation request")
    assert keeper.done(longest) == "é" * 64
