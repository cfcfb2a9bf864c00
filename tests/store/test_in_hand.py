"""What was in hand when a run died is known to the next one, and nothing else of it is ever left."""

import os
import random
import threading
from pathlib import Path

import pytest

from fleetbrake.store import in_hand
from fleetbrake.store.in_hand import NAME, InHand, read_note

FILES = [f"/drop/vehicle_id=V{k}/2026-01-05.parquet" for k in range(6)]


#: Runs that died, and the blocks that they never left.
DEAD: list[object] = []


def died_with(store: Path, *held: str, files: list[str] | None = None) -> InHand:
    """A run that is never heard of again."""
    run = InHand(store, FILES if files is None else files, 2)
    for address in held:
        DEAD.append(run.holding(address))
        DEAD[-1].__enter__()  # type: ignore[attr-defined]
    return run


def test_a_run_that_ends_leaves_nothing(tmp_path: Path) -> None:
    run = InHand(tmp_path, FILES, 2)
    with run.holding(FILES[0]), run.holding(FILES[1]):
        assert read_note(tmp_path).pid == os.getpid() and len(read_note(tmp_path).held) == 2
    assert read_note(tmp_path).held == () and (run.deaths, run.suspects) == (0, [])
    run.close()
    assert list(tmp_path.iterdir()) == []


def test_what_was_in_hand_is_a_suspect_until_it_is_settled(tmp_path: Path) -> None:
    died_with(tmp_path, FILES[3], FILES[1])
    second = died_with(tmp_path)  # dies before it reads anything
    assert second.deaths == 1 and sorted(second.suspects) == sorted([FILES[1], FILES[3]])
    third = InHand(tmp_path, FILES, 2)
    assert third.deaths == 1 and third.is_suspect(FILES[1]) and not third.is_suspect(FILES[0])
    third.settle(FILES[1])
    assert third.suspects == [FILES[3]]
    third.close()
    fourth = InHand(tmp_path, FILES, 2)
    assert (fourth.deaths, fourth.suspects) == (0, [FILES[3]])  # the third came to its end
    fourth.settle(FILES[3])
    fourth.settle(FILES[0])  # never was one
    fourth.close()
    assert list(tmp_path.iterdir()) == []


def test_deaths_are_counted_in_a_row(tmp_path: Path) -> None:
    for number in range(3):
        assert died_with(tmp_path, FILES[number]).deaths == number
    last = InHand(tmp_path, FILES, 2)
    assert last.deaths == 3 and sorted(last.suspects) == FILES[:3]


def test_a_suspect_waits_for_the_run_that_names_it(tmp_path: Path) -> None:
    died_with(tmp_path, FILES[5])
    for _ in range(3):
        other = InHand(tmp_path, FILES[:5], 2)
        assert other.suspects == []
        with other.holding(FILES[0]):
            pass
        other.close()
    assert InHand(tmp_path, FILES, 2).suspects == [FILES[5]]


def test_suspects_do_not_become_ever_more(tmp_path: Path) -> None:
    for number in range(in_hand._MOST + 40):
        died_with(tmp_path, f"/gone/{number}", files=[])
    newest = f"/gone/{in_hand._MOST + 39}"
    assert InHand(tmp_path, [newest], 2).suspects == [newest]
    assert len(read_note(tmp_path).suspects) == in_hand._MOST


def test_a_thread_that_is_still_reading_keeps_the_file_until_it_is_done(tmp_path: Path) -> None:
    """A reading without end is broken off by a person: what is in hand then ends the process, or comes to an end."""
    run, begun, over = InHand(tmp_path, FILES, 2), threading.Event(), threading.Event()

    def read() -> None:
        with run.holding(FILES[2]):
            begun.set()
            assert over.wait(60)

    thread = threading.Thread(target=read)
    thread.start()
    assert begun.wait(60)
    run.close()
    assert len(read_note(tmp_path).held) == 1
    over.set()
    thread.join()
    assert list(tmp_path.iterdir()) == []


def test_a_late_thread_leaves_the_next_run_s_file_alone(tmp_path: Path) -> None:
    late = InHand(tmp_path, FILES, 2)
    reading = late.holding(FILES[2])
    reading.__enter__()
    late.close()
    next_run = InHand(tmp_path, FILES, 2)
    assert next_run.suspects == [FILES[2]]
    with next_run.holding(FILES[4]):
        reading.__exit__(None, None, None)
        assert len(read_note(tmp_path).held) == 1 and len(read_note(tmp_path).suspects) == 1


def test_an_address_stands_in_it_as_a_keyed_digest_only(tmp_path: Path) -> None:
    named = "/drop/driver_id=Quillfeather-77/" + "x" * 10_000 + ".parquet"
    died_with(tmp_path, named, files=[named])
    once = (tmp_path / NAME).read_bytes()
    assert b"Quillfeather" not in once and len(once) < 200
    (tmp_path / NAME).unlink()
    died_with(tmp_path, named, files=[named])
    assert read_note(tmp_path).held[0] not in once  # each store, and each time, by another key


def test_what_no_run_wrote_is_nothing(tmp_path: Path) -> None:
    draw = random.Random(8)
    died_with(tmp_path, FILES[0])
    whole = (tmp_path / NAME).read_bytes()
    for trial in range(300):
        content = bytearray(
            whole[: draw.randrange(len(whole) + 1)] if trial % 2 else draw.randbytes(draw.randrange(99))
        )
        if content:
            content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)
        (tmp_path / NAME).write_bytes(content)
        InHand(tmp_path, FILES, 2).close()
        (tmp_path / NAME).unlink(missing_ok=True)
    (tmp_path / NAME).write_bytes(whole[:8] + b"\xff" * (len(whole) - 8))
    InHand(tmp_path, FILES, 2).close()


def test_what_cannot_be_written_costs_no_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = InHand(tmp_path / "not there", FILES, 2)
    with run.holding(FILES[0]):
        pass
    run.close()
    full = InHand(tmp_path, FILES, 2)

    def no_room(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", no_room)
    with full.holding(FILES[0]), full.holding(FILES[1]), full.holding(FILES[2]):
        pass  # one more than there are places
    full.close()
    assert list(tmp_path.iterdir()) == []
