"""How files are put into bunches."""

from fleetbrake.cluster.bunches import MOST_BYTES, MOST_FILES, bunches
from fleetbrake.handing_out import Handed
from fleetbrake.recordings.sources import Facts, Source


def _handed(number: int, size: int = 1000) -> Handed:
    address = f"s3://bucket/{number}.parquet"
    return Handed(Source(address, listed=Facts(size, 0)), address)


def test_all_files_are_in_bunches_once_and_in_order() -> None:
    files = [_handed(k) for k in range(5000)]
    made = list(bunches(iter(files), threads=8))
    assert [handed for bunch in made for handed in bunch] == files


def test_the_first_bunches_are_small_and_many_files_make_few_bunches() -> None:
    made = list(bunches((_handed(k) for k in range(100_000)), threads=8))
    sizes = [len(bunch) for bunch in made]
    assert sizes[:32] == [1] * 32 and max(sizes) == MOST_FILES and sizes[:-1] == sorted(sizes[:-1])
    assert len(made) < 5000


def test_a_bunch_has_no_more_bytes_than_it_may() -> None:
    big = MOST_BYTES // 3
    files = [_handed(k) for k in range(2000)] + [_handed(k, big) for k in range(2000, 2010)] + [_handed(9999, 10**12)]
    made = list(bunches(iter(files), threads=1))
    bytes_of = [sum(handed.source.listed.size for handed in bunch if handed.source.listed) for bunch in made]
    assert all(size <= MOST_BYTES or len(bunch) == 1 for size, bunch in zip(bytes_of, made, strict=True))
    assert max(bytes_of[:-1]) > 2 * big, "three of a third of it do fit"
    assert len(made[-1]) == 1 and sum(map(len, made)) == len(files)


def test_files_are_asked_for_as_they_are_needed() -> None:
    asked = []

    def files():  # type: ignore[no-untyped-def]
        for k in range(1000):
            asked.append(k)
            yield _handed(k)

    next(bunches(files(), threads=4))
    assert len(asked) <= 2
