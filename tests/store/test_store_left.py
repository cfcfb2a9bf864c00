"""What killed runs leave half-written: gone with the next publishing, and nobody who is at work loses by it."""

import os
from pathlib import Path

import pytest

from fleetbrake.core.errors import StoreError
from fleetbrake.store.database import rebuilding
from fleetbrake.store.secret_key import KEY_BYTES, secret_key

FOLDERS = (".", "registers", "mappings", "lake", "lake/events", "lake/event_wheels", "lake/blocks", "held/hold-1")


def test_publishing_removes_what_is_half_written_and_nothing_else(tmp_path: Path) -> None:
    whole = [tmp_path / folder / name for folder in FOLDERS for name in ("log.parquet", "some.part", ".hidden")]
    half = [tmp_path / folder / ".log.parquet.1.0a1b2c3d.part" for folder in FOLDERS]
    half.append(tmp_path / ".rebuilding-1-0a1b2c3d.duckdb")
    for path in (*whole, *half):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    with rebuilding(tmp_path):
        pass
    assert [path for path in whole if not path.exists()] == [] and [path for path in half if path.exists()] == []


@pytest.mark.skipif(os.name != "posix", reason="made by a link there only")
def test_a_key_whose_draft_was_taken_for_a_left_one_is_drawn_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readers draw the key for aliases beside a run that publishes."""
    link, drafts = os.link, []

    def linked(draft: Path, path: Path) -> None:
        drafts.append(Path(draft))
        if len(drafts) == 1:
            with rebuilding(tmp_path):
                assert not drafts[0].exists()
        link(draft, path)

    monkeypatch.setattr(os, "link", linked)
    key = secret_key(tmp_path / "some.key", "the key of this test")
    assert len(drafts) == 2 and len(key) == KEY_BYTES and key == (tmp_path / "some.key").read_bytes()
    assert not list(tmp_path.glob("*.key.*")) and not list(tmp_path.glob(".*.part"))


def test_a_key_that_cannot_be_drawn_is_told_and_not_tried_for_ever(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read or written"):
        secret_key(tmp_path / "no folder" / "some.key", "the key of this test")
