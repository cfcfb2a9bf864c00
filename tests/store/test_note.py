"""What two copies of the note of one store say together, either of which may be older."""

from functools import reduce
from itertools import permutations

from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.store.note import PARTS, Remembered
from fleetbrake.store.numbered import Written

#: One step of a store's life: what is written, or which part is given up (what is there of it then is less).
_STEPS = st.lists(
    st.sampled_from(["hold", "forgotten", "log", "entry", "run", "register", "score", *PARTS]), max_size=12
)


def _step(note: Remembered, step: str, at: int) -> Remembered:
    if step in PARTS:
        return note.lowered(step, Remembered(entered_file=100 + at, runs_file=100 + at))
    return {
        "hold": lambda: note.model_copy(update={"holds": note.holds + 1, "hold_number": note.hold_number + 1}),
        "forgotten": lambda: note.model_copy(update={"forgotten": note.forgotten + 1}),
        "log": lambda: note.model_copy(
            update={"recordings": note.recordings + 1, "writings": {"log": note.writings.get("log", 0) + 1}}
        ),
        "entry": lambda: note.model_copy(
            update={"entries": note.entries + 1, "entered_file": note.entered_file or 100 + at}
        ),
        "run": lambda: note.model_copy(update={"runs": note.runs + 1, "runs_file": note.runs_file or 100 + at}),
        "register": lambda: note.model_copy(
            update={"registers": ("drivers",), "registers_written": {"drivers": Written(at + 1, 1)}}
        ),
        "score": lambda: note.scored(f"2026-01-{at + 1:02d}", note.scorings + 1),
    }[step]()


def _life(steps: list[str]) -> list[Remembered]:
    notes = [Remembered()]
    for at, step in enumerate(steps):
        notes.append(_step(notes[-1], step, at))
    return notes


@given(_STEPS, st.data())
def test_the_newest_of_one_life_stands_in_whatever_order_they_are_asked(steps: list[str], data: st.DataObject) -> None:
    notes = _life(steps)
    older = data.draw(st.lists(st.sampled_from(notes), max_size=2))
    for order in permutations([*older, notes[-1]]):
        assert reduce(Remembered.together, order) == notes[-1]


def test_each_part_goes_by_its_own_give_ups() -> None:
    """A page that knows of an entry and not that runs were given up, and a published file that knows the other."""
    common = Remembered(entries=2, entered_file=7, runs=5, runs_file=8)
    page, published = common.model_copy(update={"entries": 3}), common.lowered("runs", Remembered(runs=1, runs_file=9))
    for told in (page.together(published), published.together(page)):
        assert (told.entries, told.runs, told.runs_file, told.given_up) == (3, 1, 9, 1)


def test_an_earlier_version_counted_all_give_ups_together() -> None:
    earlier = Remembered(entries=1, given_up=2, parts_given_up=("entries", "runs"))
    again = earlier.lowered("entries", Remembered())
    assert (again.entries, again.given_up, again.give_ups) == (0, 3, {"entries": 3, "runs": 2})
    assert earlier.together(again).entries == again.together(earlier).entries == 0


def test_what_a_newer_version_notes_stays() -> None:
    newer = Remembered.model_validate({"pledges": 5, "entries": 1})
    for told in (newer.together(Remembered(entries=2)), Remembered(entries=2).together(newer)):
        assert told.model_dump()["pledges"] == 5 and told.entries == 2


def test_days_that_are_gone_from_what_is_published_are_given_up() -> None:
    """Only where fewer are there: else each scoring would be one."""
    known = Remembered(scored_to="2026-01-05", scorings=3)
    assert known.scored("2026-01-05", 4).given_up == known.scored("2026-01-06", 4).given_up == 0
    less = known.scored("", 4)
    assert (less.scored_to, less.scorings, less.given_up, less.give_ups) == ("", 4, 1, {"scores": 1})
    assert known.together(less) == less == less.together(known)
