"""A sign-in file that is being saved throws nobody out, one that is gone lets nobody in. By a clock of the tests."""

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sign_in_file import SECRET, write_file

from dashboards import sign_in
from fleetbrake.access.serving import SIGN_IN_VARIABLE
from fleetbrake.core.errors import FleetbrakeError


class _Clock:
    """What the file is read by: nobody sets it. What the machine calls the time is another one."""

    now = 1_000.0

    def __init__(self) -> None:
        self.handed: list[dict[str, dict[str, object]]] = []


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[_Clock]:
    told = _Clock()
    monkeypatch.setattr(sign_in, "time", SimpleNamespace(monotonic=lambda: told.now, time=lambda: 0.0))
    monkeypatch.setattr(sign_in, "_HELD", {})
    monkeypatch.setattr(sign_in, "_HANDED", [])
    monkeypatch.setattr(sign_in, "secrets_singleton", SimpleNamespace(merge_programmatic_secrets=told.handed.append))
    yield told
    sign_in._read.cache_clear()


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = write_file(tmp_path / "sign-in.toml")
    monkeypatch.setenv(SIGN_IN_VARIABLE, str(path))
    return path


@pytest.mark.parametrize("spoilt", ["away", "empty", "half", "a folder", "a long number", "deep"])
def test_what_it_said_holds_for_a_second_after_it_was_read(clock: _Clock, file: Path, spoilt: str) -> None:
    """And a touch of what is spoilt begins no new second."""
    said = sign_in.settings()
    aside = file.rename(file.with_suffix(".aside"))
    if spoilt == "a folder":
        file.mkdir()
    elif spoilt != "away":
        said_now = {"empty": "", "half": aside.read_text()[:40], "a long number": f"x = {'9' * 5_000}"}
        file.write_text(said_now.get(spoilt, f"x = {'[' * 2_000}"))
        file.chmod(0o600)
    clock.now += 0.9
    assert sign_in.settings() == said
    clock.now += 0.2
    if spoilt != "away":
        os.utime(file)
    with pytest.raises(FleetbrakeError, match="is gone" if spoilt == "away" else "cannot be|no TOML"):
        sign_in.settings()
    if spoilt == "a folder":
        file.rmdir()
    aside.replace(file)
    assert sign_in.settings() == said


def test_one_that_was_never_read_holds_nothing(clock: _Clock, file: Path) -> None:
    file.write_text("[auth")
    with pytest.raises(FleetbrakeError, match="no TOML"):
        sign_in.settings()
    assert clock.now == 1_000.0


def test_what_it_says_now_holds_at_once(clock: _Clock, file: Path) -> None:
    before = sign_in.settings()
    file.write_text(file.read_text().replace("groups", "crews"))
    assert before.claim == "groups" and sign_in.settings().claim == "crews" and clock.now == 1_000.0


def test_a_file_that_cannot_be_asked_for_is_not_called_gone(clock: _Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SIGN_IN_VARIABLE, "/" + "x" * 5_000)
    with pytest.raises(FleetbrakeError, match="cannot be read: File name too long"):
        sign_in.settings()
    assert not sign_in._HELD and clock.now


def test_the_same_sentence_goes_into_the_log_once_a_minute(
    clock: _Clock, file: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever asks for nothing but this must not fill the disk."""
    monkeypatch.setattr(sign_in, "_TOLD", {})
    file.unlink()
    for seconds in (0.0, 1.0, 30.0, 30.0):
        clock.now += seconds
        assert not sign_in.caller_of(dict).may_sign_in
    assert [record.message.endswith("is gone.") for record in caplog.records] == [True, True]


def test_the_framework_has_the_key_that_the_file_has(clock: _Clock, file: Path) -> None:
    """Once for each change, whatever became of the file in between, and of whatever day its content is said to be."""
    sign_in.settings(), sign_in.settings()
    whole = file.read_text()
    file.write_text("half")
    sign_in.settings()
    changed = whole.replace(SECRET, SECRET[::-1])
    file.write_text(changed)
    os.utime(file, (0, 0))
    said = sign_in.settings()
    assert [told["auth"]["cookie_secret"] for told in clock.handed] == [SECRET, SECRET[::-1]]
    assert SECRET not in repr(said) and SECRET[::-1] not in repr(said)


def test_who_read_an_older_file_does_not_hand_it_over_last(
    clock: _Clock, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One is held up once he has read it; meanwhile the key is changed, and another one reads."""
    read, old_is_read, may_go_on = sign_in._read, threading.Event(), threading.Event()

    def _held_up(*told: Any) -> Any:
        found = read(*told)
        if threading.current_thread().name == "late":
            old_is_read.set()
            may_go_on.wait(30.0)
        return found

    with monkeypatch.context() as patch:
        patch.setattr(sign_in, "_read", _held_up)
        late, other = (threading.Thread(target=sign_in.settings, name=name) for name in ("late", "other"))
        late.start()
        assert old_is_read.wait(30.0)
        file.write_text(file.read_text().replace(SECRET, SECRET[::-1]))
        other.start()
        other.join(0.3)  # it is done by then, or waits for the first one
        may_go_on.set()
        late.join(30.0), other.join(30.0)
    assert [told["auth"]["cookie_secret"] for told in clock.handed] == [SECRET, SECRET[::-1]]
    assert [held.auth["cookie_secret"] for held, _ in sign_in._HELD.values()] == [SECRET[::-1]]
