"""Folders in which files are made: those of killed runs go, those of living ones stay."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from fleetbrake.store.drafts import draft_in

CHILD = """
import sys, time
from pathlib import Path
from fleetbrake.store.drafts import draft_in
with draft_in(Path(sys.argv[1]), ".month-") as draft:
    (draft / "half").write_text("x")
    print(draft.name, flush=True)
    time.sleep(60)
"""


def test_a_draft_is_gone_at_the_end_however_it_ends(tmp_path: Path) -> None:
    with draft_in(tmp_path, ".month-") as draft:
        (draft / "folder").mkdir()
        assert draft.parent == tmp_path
    with pytest.raises(ValueError, match="on purpose"), draft_in(tmp_path, ".month-"):
        raise ValueError("on purpose")
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="folders cannot be locked elsewhere")
def test_the_draft_of_a_killed_run_goes_and_that_of_a_living_one_stays(tmp_path: Path) -> None:
    other = tmp_path / ".other-1.part"
    other.mkdir()
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        theirs = tmp_path / child.stdout.readline().strip()
        with draft_in(tmp_path, ".month-") as mine:
            assert (theirs / "half").exists() and mine != theirs
        assert (theirs / "half").exists()
        child.send_signal(signal.SIGKILL)
        child.wait(30)
    assert theirs.exists()
    with draft_in(tmp_path, ".month-") as mine:
        assert not theirs.exists() and other.exists() and mine.exists()
    assert list(tmp_path.iterdir()) == [other]
