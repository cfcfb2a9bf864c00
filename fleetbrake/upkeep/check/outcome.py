"""What the checks of a store say, each by its name, and what a repair has to do."""

from dataclasses import dataclass, field
from typing import Any, Final

#: Sentences of one check that are kept; the others are counted. Own choice: a person reads no more.
MOST_SENTENCES: Final = 200

#: What can be done about a file that nothing else makes again.
FROM_COPY: Final = "put it back from a copy of the store"


@dataclass
class Told:
    """Sentences, of which only the first ones are kept."""

    sentences: list[str] = field(default_factory=list)
    count: int = 0

    def add(self, sentence: str) -> None:
        """One more."""
        self.count += 1
        if len(self.sentences) < MOST_SENTENCES:
            self.sentences.append(sentence)

    def all(self) -> list[str]:
        """The sentences, and how many there are besides."""
        more = self.count - len(self.sentences)
        return [*self.sentences, *([f"and {more} more of this kind"] if more else [])]


@dataclass
class Outcome:
    """What one check found.

    Attributes
    ----------
    name : of the check.
    looked_at : what was looked at, in words.
    wrong : what must not be so.
    notes : what a person should know, though nothing is wrong with it.
    left_out : why it was not made; None if it was.
    """

    name: str
    looked_at: str = ""
    wrong: Told = field(default_factory=Told)
    notes: Told = field(default_factory=Told)
    left_out: str | None = None

    def facts(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "check": self.name,
            "looked_at": self.looked_at,
            "wrong": self.wrong.all(),
            "wrong_count": self.wrong.count,
            "notes": self.notes.all(),
            "left_out": self.left_out,
        }


@dataclass
class Damage:
    """What a repair starts from.

    Attributes
    ----------
    log, index, readings : the file cannot be used.
    gone : keys that the log names and whose rows cannot be used or are nowhere.
    alone, blocks : pieces that stand alone, and blocks, to be moved aside.
    database : the published file cannot be opened at all.
    tables : published tables that cannot be read.
    types : published tables with columns of other types than declared.
    rules : published tables with rows that break a rule.
    publish : what is published is not what the lake gives.
    keys : files of keys that others may read.
    copies : copies of held recordings that have other bytes; hold and name.
    lists : what is said of holds besides, and a repair sets right: a list of copies that is gone or damaged, a name.
    unnamed : recordings that are published and that the log does not name any more.
    changed : published tables that something else than a run of this program changed.
    forgotten : a forgotten driver stands where nobody may see him.
    left : runs that were ended left something.
    """

    log: bool = False
    index: bool = False
    readings: bool = False
    gone: set[str] = field(default_factory=set)
    alone: set[str] = field(default_factory=set)
    blocks: set[str] = field(default_factory=set)
    database: bool = False
    tables: set[str] = field(default_factory=set)
    types: set[str] = field(default_factory=set)
    rules: set[str] = field(default_factory=set)
    publish: bool = False
    keys: list[str] = field(default_factory=list)
    copies: list[tuple[str, str]] = field(default_factory=list)
    lists: int = 0
    unnamed: set[str] = field(default_factory=set)
    changed: set[str] = field(default_factory=set)
    forgotten: bool = False
    left: bool = False


@dataclass
class Checked:
    """All checks of a store.

    ``mended``: what was repaired, ``not_mended``: what could not be; ``after``: the checks after that.
    """

    outcomes: list[Outcome]
    damage: Damage
    mended: list[str] = field(default_factory=list)
    not_mended: list[str] = field(default_factory=list)
    after: "Checked | None" = None

    @property
    def sound(self) -> bool:
        """Whether nothing was wrong, and every check could be made."""
        return not any(one.wrong.count or one.left_out for one in self.outcomes)

    @property
    def to_tidy(self) -> bool:
        """Whether runs that were ended left something."""
        return self.damage.left

    def facts(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "sound": self.sound,
            "checks": [one.facts() for one in self.outcomes],
            "mended": self.mended,
            "not_mended": self.not_mended,
            "after": None if self.after is None else self.after.facts(),
        }
