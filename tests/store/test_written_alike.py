"""Ids that no register knows and that are written almost like one that is there."""

import duckdb
import pytest

from fleetbrake.store.written_alike import MOST_TOLD, written_alike


def _told(known: list[str], unknown: list[str]) -> list[str]:
    with duckdb.connect() as con:
        con.execute("CREATE TABLE vehicles (vehicle_id VARCHAR)")
        con.execute("CREATE TABLE drivers (driver_id VARCHAR)")
        con.execute("CREATE TABLE unknown_ids (kind VARCHAR, id VARCHAR)")
        if known:
            con.executemany("INSERT INTO vehicles VALUES (?)", [[one] for one in known])
        con.executemany("INSERT INTO unknown_ids VALUES ('vehicle', ?)", [[one] for one in unknown])
        return written_alike(con)


@pytest.mark.parametrize(
    "strange", ["bus 7", "BUS_7", "Bus\u20137", "BUS\N{NO-BREAK SPACE}7", "BUS.-7", "B\u200bUS-7", "BUS-7\u2060"]
)
def test_another_way_of_writing_is_told(strange: str) -> None:
    (told,) = _told(["BUS-7", "BUS-8"], [strange])
    assert told.startswith("The vehicle ") and "'BUS-7'" in told and "kept as two" in told


def test_two_forms_of_one_letter_are_told() -> None:
    assert len(_told(["J\u00f6rg"], ["Jo\u0308rg"])) == 1


@pytest.mark.parametrize("other", ["BUS-17", "BUS7", "\u0412US-7"])
def test_other_ids_are_not(other: str) -> None:
    assert _told(["BUS-7"], [other]) == []


def test_of_two_that_no_register_knows_one_is_told_and_many_are_counted() -> None:
    assert len(_told([], ["a-1", "A-1"])) == 1
    told = _told([f"v{k}" for k in range(30)], [f"V{k}" for k in range(30)])
    assert len(told) == MOST_TOLD + 1 and "10 more" in told[-1]
