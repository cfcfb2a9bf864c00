"""The list of what the newest log names: what a log lacks by it, against the plainest way to find it."""

from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.store import readings
from fleetbrake.store.log import LOG_SCHEMA

#: Path and key of a file; few of each, so that they meet.
_FILES = st.dictionaries(st.sampled_from("abcde"), st.sampled_from([None, "k1", "k2", "k3"]), max_size=5)


def _log(files: dict[str, str | None]) -> pa.Table:
    rows = [{"path": path, "key": key} for path, key in files.items()]
    return pa.Table.from_pylist(rows, schema=pa.schema([LOG_SCHEMA.field("path"), LOG_SCHEMA.field("key")]))


def _named(listed: pa.Table, of: dict[str, str | None]) -> dict[str, str | None]:
    """The rows of a list by their paths: digests cannot be read back."""
    by_digest = dict(zip(readings.digests(of).tolist(), of, strict=True))
    return {by_digest[row["path"]]: row["key"] for row in listed.to_pylist()}


@settings(max_examples=200, deadline=None)
@given(_FILES, _FILES)
def test_what_a_log_does_not_name_found_one_by_one(before: dict[str, str | None], now: dict[str, str | None]) -> None:
    slowly = {path: key for path, key in before.items() if key is not None and key not in now.values()}
    left = readings.not_named(readings.readings_of(_log(before)), _log(now))
    assert _named(left, before) == slowly and set(left.column("state").to_pylist()) <= {readings.LACKING}


@settings(max_examples=200, deadline=None)
@given(_FILES, _FILES, st.sets(st.sampled_from(["k1", "k2", "k3"])))
def test_what_was_read_again_since_found_one_by_one(
    log: dict[str, str | None], since: dict[str, str | None], there: set[str]
) -> None:
    newer = {path: key for path, key in since.items() if key in there}
    slowly = [path in newer and key not in newer.values() for path, key in log.items()]
    found = readings.replaced(_log(log), readings.readings_of(_log(since)), pa.array(sorted(there), pa.string()))
    assert found.to_pylist() == slowly


@settings(max_examples=100, deadline=None)
@given(_FILES, st.sets(st.sampled_from("abcde")))
def test_paths_that_were_read_are_taken_off(listed: dict[str, str | None], read: set[str]) -> None:
    left = readings.without_paths(readings.readings_of(_log(listed)), read)
    assert _named(left, listed) == {path: key for path, key in listed.items() if key is not None and path not in read}


def test_files_of_which_nothing_is_known_are_named_by_no_log() -> None:
    named = readings.not_named(readings.UNKNOWN, _log({"a": None, "b": "k1"}))
    assert named.equals(readings.UNKNOWN)
    assert readings.without_paths(readings.UNKNOWN, ["a", "b"]).equals(readings.UNKNOWN)


def test_a_fingerprint_is_of_the_rows_that_are_in_in_any_order() -> None:
    one = readings.fingerprint_of(_log({"a": "k1", "b": "k2", "c": None}))
    assert one == readings.fingerprint_of(_log({"d": "k2", "a": "k1"}))
    assert one != readings.fingerprint_of(_log({"a": "k1"})) != readings.fingerprint_of(_log({}))


def test_a_list_counts_for_its_log_and_older_ones_only_and_whole(tmp_path: Path) -> None:
    log = _log({"a": "k1", "b": None})
    readings.write_list(tmp_path, log, readings.NONE, 3)
    for number in (0, 1, 3):
        found = readings.listed(tmp_path, number)
        assert found is not None and found.equals(readings.readings_of(log))
    assert readings.listed(tmp_path, 4) is None
    path = tmp_path / readings.READINGS_NAME
    content = bytearray(path.read_bytes())
    content[10] ^= 1
    path.write_bytes(content)
    assert readings.listed(tmp_path, 3) is None
    path.unlink()
    assert readings.listed(tmp_path, 0) is None and readings.writing_of_list(tmp_path) == 0


def test_what_was_lacking_stays_in_the_list_of_the_log_that_names_it(tmp_path: Path) -> None:
    """That log may never be written. By its key alone: the path may be a forgotten one's."""
    lacking = readings.not_named(readings.readings_of(_log({"a": "k1", "b": "k2"})), _log({}))
    lacking = pa.concat_tables([lacking, readings.UNKNOWN])
    readings.write_list(tmp_path, _log({"a": "k1", "c": "k3"}), lacking, 3)
    found = readings.listed(tmp_path, 3)
    assert found is not None
    told = [(row["key"], row["state"], bool(row["path"])) for row in found.to_pylist()]
    assert sorted(told, key=repr) == [
        ("k1", readings.NAMED, True),
        ("k1", readings.CAME_IN, False),
        ("k2", readings.LACKING, True),
        ("k3", readings.NAMED, True),
        (None, readings.LACKING, False),
    ]


def test_it_names_nobody(tmp_path: Path) -> None:
    """Paths may name people: only digests are in the file."""
    readings.write_list(tmp_path, _log({"drives/D-104/one.parquet": "k1"}), readings.NONE, 1)
    assert b"D-104" not in (tmp_path / readings.READINGS_NAME).read_bytes()


@pytest.mark.parametrize("paths", [[], ["a"], ["ä", "", "x" * 10_000]])
def test_digests_are_of_64_bits_and_one_for_each_path(paths: list[str]) -> None:
    found = readings.digests(paths)
    assert found.dtype.name == "uint64" and len(set(found.tolist())) == len(paths)
    assert found.tolist() == readings.digests(paths).tolist()
