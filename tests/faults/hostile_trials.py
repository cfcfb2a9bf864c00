"""Hostile text through every door and every exit, as counted trials: a trial is one text at one door, or a whole exit.

The long form takes all texts, and texts drawn at random by the seed besides; the short form is ``test_hostile.py``.
"""

import random
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from faults import hostile_doors as doors
from faults import hostile_exits as exits
from faults.hostile_fleet import Fleet, make_fleet
from faults.hostile_texts import HALVES, HARMLESS, TOO_LONG, UNKEEPABLE, Hostile
from faults.tally import LongForm, Tally

#: Texts of one fleet: as many as a page, a plan and a month list without leaving any out.
_OF_A_FLEET: Final = 60
_DRAWN: Final = 60
_PAGES: Final = ("inspections", "drivers", "recordings", "month")


def drawn(seed: int, number: int) -> list[str]:
    """Ids of random letters, two texts of the list joined among them; different ones, none of blanks alone."""
    chance = random.Random(seed)
    found: dict[str, None] = {}
    while len(found) < number:
        if chance.random() < 0.5:
            pair = chance.sample(HARMLESS, 2)
            text = "".join(one.text for one in pair)[:150]
        else:
            text = "".join(_letter(chance) for _ in range(chance.randint(1, 40)))
        if text.strip() == text and text:
            found[text] = None
    return list(found)


def _letter(chance: random.Random) -> str:
    """Any character that a text can hold but zero; half of them those that mean something somewhere."""
    if chance.random() < 0.5:
        return chance.choice("<>&\"'`=+-@$#*_[](){}|\\/:;,.%!?~^\t\n\r\x1b\x07\x9b\u202e\u200b\u2028")
    while True:
        one = chr(chance.choice((chance.randint(1, 0x2FF), chance.randint(1, 0xFFFF), chance.randint(1, 0x10FFFF))))
        if not "\ud800" <= one <= "\udfff":
            return one


def count(tally: Tally, part: str, seed: int, wrong: Iterable[str], trials: int = 1) -> None:
    """Count trials of one kind: each failure is one, the others held."""
    with tally.timed():
        failures = list(wrong)
    for failure in failures:
        tally.add(part, f"{part}, seed {seed}: {failure}")
    for _ in range(max(0, trials - len(failures))):
        tally.add(part)


def at_the_doors(tally: Tally, folder: Path, seed: int, texts: list[str]) -> None:
    """What no id can be, blanks, halves of characters, mappings, registers, a night."""
    count(tally, "recordings", seed, doors.impossible_ids(folder / "i"), 4 * len(UNKEEPABLE))
    count(tally, "blanks", seed, doors.blanks(folder / "b"), 12)
    count(tally, "halves", seed, doors.halves(folder / "h"), len(HALVES))
    count(tally, "registers", seed, doors.registers(folder / "r"), 3 * len(UNKEEPABLE))
    count(tally, "mappings", seed, doors.mappings(folder / "m", texts), len(texts))
    count(tally, "nights", seed, doors.night(folder / "n", texts), len(texts))


def through_a_fleet(tally: Tally, fleet: Fleet, seed: int, *, pages: int, forget: int) -> None:
    """The exits of a store, what people enter into it, the exits again, and at last what is forgotten."""
    texts, folder = list(fleet.texts), fleet.folder
    count(tally, "tables", seed, exits.tables(fleet), len(texts))
    count(tally, "forms", seed, doors.forms(fleet, texts), len(texts))
    count(tally, "findings sheets", seed, doors.sheet(fleet, folder, texts), len(texts))
    count(tally, "holds", seed, doors.legal_holds(fleet, texts[::4]), len(texts[::4]))
    count(tally, "terminal", seed, exits.terminal(fleet), 3)
    count(tally, "upkeep", seed, exits.upkeep(fleet, folder), 6)
    for role in (False, True):
        count(tally, "month files", seed, exits.month(fleet, folder / f"out {role}", safety_role=role))
    count(tally, "plan files", seed, exits.plan(fleet), 3)
    count(tally, "sheets", seed, exits.sheets(fleet, fleet.vehicles[:pages]), 3)
    for view in _PAGES:
        count(tally, "pages", seed, exits.page(fleet, view, texts))
    for text in fleet.texts[:pages]:
        count(tally, "pages", seed, exits.page(fleet, "vehicle", texts, vehicle=text))
        count(tally, "pages", seed, exits.page(fleet, "event", texts, event=f"{text} e0"))
    count(tally, "forgetting", seed, doors.forgotten(fleet, texts[:: max(1, len(texts) // forget)]), forget)


def on_the_command_line(tally: Tally, fleet: Fleet, seed: int, texts: Iterable[Hostile]) -> None:
    """Each text in each place of a command."""
    for one in texts:
        wrong = doors.arguments(fleet, fleet.folder, one)
        count(tally, "arguments", seed, wrong, len(doors.ARGUMENTS))


def fleets(seed: int) -> Iterator[list[str]]:
    """All texts in an order of the seed, in portions, then texts drawn at random."""
    every = [one.text for one in HARMLESS]
    random.Random(seed).shuffle(every)
    yield from (every[first : first + _OF_A_FLEET] for first in range(0, len(every), _OF_A_FLEET))
    yield drawn(seed, _DRAWN)


def _long(seed: int, _minutes: float) -> list[Tally]:
    given, told = Tally("hostile text at the doors"), Tally("hostile text at the exits")
    for number, texts in enumerate(fleets(seed)):
        with tempfile.TemporaryDirectory() as name:
            at_the_doors(given, Path(name) / "doors", seed, texts)
            fleet = make_fleet(Path(name) / "fleet", texts, notes=[one.text for one in TOO_LONG] if number == 0 else ())
            on_the_command_line(given, fleet, seed, [Hostile("a command", text) for text in texts[::3]])
            through_a_fleet(told, fleet, seed, pages=12, forget=8)
    return [given, told]


LONG: LongForm = _long
