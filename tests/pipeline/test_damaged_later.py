"""A recording that was read and cannot be used any more: its rows stay, it is told every time; a good one counts."""

import os
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import pipeline, taking_in
from fleetbrake.core.errors import StoreError
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import assert_same, tables


def _write(path: Path, decel: float, number: int = 0) -> None:
    pq.write_table(stops_file([(f"stop-{number}", Stop(16.0, decel))], vehicle_id=f"V{number}"), path)


def _another_unit(path: Path) -> None:
    table = pq.read_table(path)
    at = table.schema.get_field_index("timestamp")
    pq.write_table(table.set_column(at, "timestamp", pa.array(["no time"] * table.num_rows)), path)


DAMAGES = {
    "cut short": lambda path: os.truncate(path, path.stat().st_size // 2),
    "empty": lambda path: path.write_bytes(b""),
    "another format": lambda path: path.write_text("stamp,speed\n1,2\n"),
    "a column of another type": _another_unit,
    "a byte of the table of contents": lambda path: path.write_bytes(path.read_bytes()[:-8] + b"\x00" * 8),
}


def test_recordings_that_go_bad_keep_their_rows(tmp_path: Path) -> None:
    """One recording for each kind of damage, all at once; a sound one beside them."""
    folder, store, alone = tmp_path / "recordings", tmp_path / "store", tmp_path / "alone"
    folder.mkdir()
    paths = {damage: folder / f"{number}.parquet" for number, damage in enumerate(DAMAGES)}
    for number, path in enumerate([*paths.values(), folder / "sound.parquet"]):
        _write(path, 4.0, number)
    pipeline.ingest([folder], store)
    good, before = {path: path.read_bytes() for path in paths.values()}, tables(store)
    for damage, path in paths.items():
        DAMAGES[damage](path)
    for _ in range(2):  # the second time as well: it stays told until somebody mends it
        summary = pipeline.ingest([folder], store)
        assert (summary.rejected, summary.unchanged, len(summary.problems)) == (len(DAMAGES), 1, len(DAMAGES))
        for path, problem in zip(paths.values(), sorted(summary.problems), strict=True):
            assert problem.endswith("(the rows of its last reading stay)") and path.name in problem
        assert tables(store) == before
    for path, content in good.items():
        path.write_bytes(content)
    summary = pipeline.ingest([folder], store)
    assert (summary.unchanged, summary.problems) == (len(DAMAGES) + 1, []) and tables(store) == before
    for damage, path in paths.items():
        DAMAGES[damage](path)
    pipeline.ingest([folder], store)
    for number, path in enumerate(paths.values()):
        _write(path, 6.0, number)
    summary = pipeline.ingest([folder], store)
    pipeline.ingest([folder], alone)
    assert (summary.loaded, summary.problems) == (len(DAMAGES), [])
    assert_same(store, alone)


def test_a_recording_that_never_was_good_is_rejected_as_before(tmp_path: Path) -> None:
    folder, store = tmp_path / "recordings", tmp_path / "store"
    folder.mkdir()
    (folder / "a.parquet").write_text("no Parquet")
    for _ in range(2):
        summary = pipeline.ingest([folder], store)
        assert summary.rejected == 1 and "stay" not in summary.problems[0]
    (entry,) = read_log(store)
    assert entry.status == "rejected" and entry.key is None


def test_bytes_that_could_not_be_used_are_not_decoded_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those may end the process that decodes them: the log knows them until settings change."""
    folder, store = tmp_path / "recordings", tmp_path / "store"
    folder.mkdir()
    path = folder / "a.parquet"
    _write(path, 4.0)
    pipeline.ingest([folder], store)
    before = tables(store)
    DAMAGES["empty"](path)
    pipeline.ingest([folder], store)
    opened, real = list[str](), taking_in.open_recording
    monkeypatch.setattr(
        taking_in, "open_recording", lambda data, *rest, **how: opened.append("") or real(data, *rest, **how)
    )
    summary = pipeline.ingest([folder], store)
    assert (opened, summary.rejected, summary.unchanged, summary.events) == ([], 1, 0, 0)
    assert summary.problems == [
        f"{path}: cannot be used: an earlier run tried these bytes (the rows of its last reading stay)"
    ]
    assert tables(store) == before
    DAMAGES["cut short"](path)
    _write(path, 5.0)
    assert pipeline.ingest([folder], store).loaded == 1 and opened
    (entry,) = read_log(store)
    assert entry.unusable_sha256 is None


def test_rows_that_went_bad_are_told_where_they_are_published(tmp_path: Path) -> None:
    """A disk that rots under the lake: one sentence that names what mends it, and the published rows stay."""
    folder, store = tmp_path / "recordings", tmp_path / "store"
    folder.mkdir()
    _write(folder / "a.parquet", 4.0)
    pipeline.ingest([folder], store)
    before = tables(store)
    (piece,) = (store / "lake" / "events").glob("*.parquet")
    content = bytearray(piece.read_bytes())
    content[len(content) // 3] ^= 4
    piece.write_bytes(bytes(content))
    (folder / "b.parquet").write_bytes((folder / "a.parquet").read_bytes())
    with pytest.raises(StoreError, match=f"{piece.name}.*fleetbrake check --repair"):
        pipeline.ingest([folder], store)
    assert tables(store) == before
