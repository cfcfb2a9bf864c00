"""The seal of a Parquet file, where what it stands in contradicts itself."""

from pathlib import Path

import pytest
from faults.parquet_bases import bases
from faults.parquet_mutations import made

from fleetbrake.store.sealed import SEAL_BYTES, Seal, seal_of, sealed


def _file(folder: Path, content: bytes) -> Path:
    path = folder / "piece.parquet"
    path.write_bytes(content)
    return path


def test_without_a_seal_and_with_one(tmp_path):
    for data in bases():
        if data != bases()[2]:  # that one has an index of pages after the pages, which no piece has
            assert seal_of(_file(tmp_path, data)) is Seal.NONE
        assert seal_of(_file(tmp_path, bytes(sealed(memoryview(data))))) is Seal.WHOLE


def test_a_seal_whose_word_is_gone_is_broken(tmp_path):
    whole = bytearray(sealed(memoryview(bases()[0])))
    footer = 8 + int.from_bytes(whole[-8:-4], "little")
    whole[len(whole) - footer - SEAL_BYTES] ^= 1
    assert seal_of(_file(tmp_path, bytes(whole))) is Seal.BROKEN


@pytest.mark.parametrize("number", range(6))
def test_facts_that_contradict_each_other_are_told_and_end_nothing(tmp_path, number):
    """Asked of the decoding library they would end the process: this test, too."""
    data, _ = made("contradictions", 1, number)
    assert seal_of(_file(tmp_path, data)) in (Seal.NONE, Seal.BROKEN)


def test_a_footer_that_is_none(tmp_path):
    data = bases()[0]
    footer = 8 + int.from_bytes(data[-8:-4], "little")
    assert seal_of(_file(tmp_path, data[:-footer] + b"\x15" * (footer - 8) + data[-8:])) is Seal.BROKEN
