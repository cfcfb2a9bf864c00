"""What lies in a folder of recordings and is none, or cannot be reached, is told; recordings are found beside it."""

import os
from pathlib import Path

import pytest

from fleetbrake.recordings.sources import find_recordings

POSIX = pytest.mark.skipif(os.name != "posix", reason="pipes and links as POSIX has them")


@POSIX
def test_what_is_no_file_is_told_and_the_recordings_beside_it_are_found(tmp_path: Path) -> None:
    folder, elsewhere = tmp_path / "in", tmp_path / "elsewhere"
    for one in (folder / "deep.parquet", elsewhere):
        one.mkdir(parents=True)
    for name in ("a.parquet", "deep.parquet/b.PARQUET", "note.txt"):
        (folder / name).write_bytes(b"")
    os.mkfifo(folder / "pipe.parquet")
    (folder / "gone.parquet").symlink_to(tmp_path / "nowhere")
    (folder / "round.parquet").symlink_to(folder / "round.parquet")
    (folder / "far").symlink_to(elsewhere)
    (folder / "above").symlink_to(folder)
    told: list[str] = []
    found = find_recordings([folder], within=told)
    assert [source.path.name for source in found] == ["a.parquet", "b.PARQUET"]
    assert len(told) == 4, told
    for name, what in (("pipe", "no regular file"), ("gone", "leads nowhere"), ("round", ""), ("far", "not followed")):
        assert any(f"/{name}" in sentence and what in sentence for sentence in told), (name, told)


@POSIX
@pytest.mark.skipif(hasattr(os, "getuid") and os.getuid() == 0, reason="who may do everything reads every folder")
def test_a_folder_that_may_not_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "shut").mkdir(mode=0)
    told: list[str] = []
    assert find_recordings([tmp_path], within=told) == []
    assert "/shut: this folder cannot be read (Permission denied)" in told[0]
