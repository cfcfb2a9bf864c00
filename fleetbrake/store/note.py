"""The note of what a store holds, and what two copies of it, either of which may be older, say together."""

from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field

from fleetbrake.store.numbered import Written


class Remembered(BaseModel):
    """What was there.

    Attributes
    ----------
    forgotten : number of forgotten ids.
    holds, newest_hold : number of legal holds that were ever placed, and the greatest number in their ids.
    hold_number : the greatest that was ever given to a hold, which none is given again; never taken for lost.
    writings : the last writing of the log and of the lists of the forgotten and of dropped rows, by part; never taken
        for lost.
    rules, rules_written : rules of retention were set, and how often others than before.
    dropped : number of register rows that outlived their period.
    made_anew : how often the published file was made anew because something was dropped; never taken for lost.
    aliases : a keyed word by which the key of the drivers' aliases is known again; empty before it was drawn.
    registers, registers_written : names of registers with a file, and the last writing of each.
    recordings, readings : number of recording files that the newest log names, and the fingerprint of their readings,
        empty where an earlier version wrote it.
    scored_to, scorings : the newest day of which scores were published, as ISO writes it, empty before any; and how
        often scores or plans were, which is never taken for lost.
    entries, entered_file : the last number that an entry of a person was given, and the number of the entries' file.
    runs, runs_file : how many unattended runs were begun, and the number of their history's file.
    given_up, parts_given_up : how often a person took something of this for lost, and of which parts; numbers went
        down then.
    give_ups : how often, by part; not in notes of earlier versions.
    """

    model_config = ConfigDict(extra="allow", frozen=True)

    forgotten: int = Field(default=0, ge=0)
    holds: int = Field(default=0, ge=0)
    newest_hold: int = Field(default=0, ge=0)
    hold_number: int = Field(default=0, ge=0)
    writings: dict[str, int] = Field(default_factory=dict)
    rules: bool = False
    rules_written: int = Field(default=0, ge=0)
    dropped: int = Field(default=0, ge=0)
    made_anew: int = Field(default=0, ge=0)
    aliases: str = ""
    registers: tuple[str, ...] = ()
    registers_written: dict[str, Written] = Field(default_factory=dict)
    recordings: int = Field(default=0, ge=0)
    readings: str = ""
    scored_to: str = ""
    scorings: int = Field(default=0, ge=0)
    entries: int = Field(default=0, ge=0)
    entered_file: int = Field(default=0, ge=0)
    runs: int = Field(default=0, ge=0)
    runs_file: int = Field(default=0, ge=0)
    given_up: int = Field(default=0, ge=0)
    parts_given_up: tuple[str, ...] = ()
    give_ups: dict[str, int] = Field(default_factory=dict)

    def with_more(self, now: "Remembered") -> "Remembered":
        """With what is there now besides; the first key of aliases and the first number of a file stand.

        What another file counts is no later count of this one's.
        """
        return self.model_copy(
            update={
                **(now.model_extra or {}),
                **(self.model_extra or {}),
                **{name: max(getattr(self, name), getattr(now, name)) for name in _GREATEST},
                **_of_the_later_log(self, now),
                "writings": _greatest(self.writings, now.writings),
                "rules": self.rules or now.rules,
                "aliases": self.aliases or now.aliases,
                "registers": tuple(sorted({*self.registers, *now.registers})),
                "registers_written": _later(self.registers_written, now.registers_written),
                "entries": max(self.entries, now.entries if _same(self.entered_file, now.entered_file) else 0),
                "entered_file": self.entered_file or now.entered_file,
                "runs": max(self.runs, now.runs if _same(self.runs_file, now.runs_file) else 0),
                "runs_file": self.runs_file or now.runs_file,
                "parts_given_up": tuple(sorted({*self.parts_given_up, *now.parts_given_up})),
                "give_ups": _greatest(self._given_up_by_part(), now._given_up_by_part()),
            }
        )

    def together(self, other: "Remembered") -> "Remembered":
        """What two notes of one store say, either of which may be older.

        Of a part that a person gave up meanwhile, what the one says that knows of it stands: its smaller numbers are
        the newer ones.
        """
        merged = self.with_more(other)
        mine, theirs = self._given_up_by_part(), other._given_up_by_part()
        newer: dict[str, Any] = {}
        for part, names in PARTS.items():
            times = mine.get(part, 0) - theirs.get(part, 0)
            if times:
                newer |= {name: getattr(self if times > 0 else other, name) for name in names}
        return merged.model_copy(update=newer)

    def lowered(self, part: str, now: "Remembered") -> "Remembered":
        """As of the time when a person took one of ``PARTS`` for lost; ``now``: what is there of it."""
        times = self._given_up_by_part()
        return self.model_copy(
            update={
                **{name: getattr(now, name) for name in PARTS[part]},
                "given_up": self.given_up + 1,
                "parts_given_up": tuple(sorted({*self.parts_given_up, part})),
                "give_ups": {**times, part: times.get(part, 0) + 1},
            }
        )

    def scored(self, to: str, times: int) -> "Remembered":
        """As of the time when scores up to this day were published so often. Where days were lost with a published
        file that was damaged, and it was made anew without, they are given up."""
        now = Remembered(scored_to=to)
        known = self.lowered("scores", now) if to < self.scored_to else self
        return known.model_copy(update={"scored_to": to, "scorings": times})

    def _given_up_by_part(self) -> dict[str, int]:
        """An earlier version counted them all together."""
        return {name: self.give_ups.get(name, self.given_up) for name in self.parts_given_up}


#: Numbers of which the greater one is the newer.
_GREATEST: Final = (
    *("forgotten", "holds", "newest_hold", "hold_number", "rules_written", "dropped", "made_anew"),
    *("scored_to", "scorings", "given_up"),
)


def _of_the_later_log(one: Remembered, other: Remembered) -> dict[str, Any]:
    """How many files it named, by which readings: a repair, or a person, may take some out."""
    written = one.writings.get("log", 0) - other.writings.get("log", 0)
    later = one if written >= 0 else other
    if written:
        return {"recordings": later.recordings, "readings": later.readings}
    return {"recordings": max(one.recordings, other.recordings), "readings": one.readings or other.readings}


def _greatest(one: dict[str, int], other: dict[str, int]) -> dict[str, int]:
    return {name: max(one.get(name, 0), other.get(name, 0)) for name in sorted({*one, *other})}


def _same(file: int, other: int) -> bool:
    """Whether two numbers may be one file's; 0 is none."""
    return not (file and other) or file == other


def _later(one: dict[str, Written], other: dict[str, Written]) -> dict[str, Written]:
    return {name: max(one.get(name, Written()), other.get(name, Written())) for name in sorted({*one, *other})}


#: What a person may give up, and what the note says of it. Numbers of writings, of scorings and of holds are kept: what
#: is written next is newer than any before, so that what was given up is still known when it is put back later.
PARTS: Final = {
    **{name: (name,) for name in ("forgotten", "dropped", "aliases", "rules")},
    "holds": ("holds", "newest_hold"),
    "recordings": ("recordings", "readings"),
    "scores": ("scored_to",),
    "entries": ("entries", "entered_file"),
    "runs": ("runs", "runs_file"),
}
